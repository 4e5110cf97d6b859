//! A request's body that must come at a certain pace, and whose last part is passed on only when the request
//! has its turn.

use crate::traffic::gates::{BodyTrouble, Ticket};
use crate::traffic::limits::Pace;
use axum::body::{Body, Bytes, HttpBody};
use http_body::{Frame, SizeHint};
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use tokio::time::{Instant, Sleep, sleep_until};

type Entering = Pin<Box<dyn Future<Output = Result<(), BodyTrouble>> + Send>>;

pub(crate) struct PacedBody {
    inner: Body,
    pace: Pace,
    ticket: Arc<Ticket>,
    received: u64,
    /// When its time began: when it is first asked for, because it is not sent before.
    clock: Option<(Instant, Pin<Box<Sleep>>)>,
    /// The last part: passed on when the next one comes, or with the request's turn.
    last: Option<Frame<Bytes>>,
    entering: Option<Entering>,
    is_over: bool,
}

impl PacedBody {
    pub(crate) fn new(inner: Body, pace: Pace, ticket: Arc<Ticket>) -> Self {
        Self { inner, pace, ticket, received: 0, clock: None, last: None, entering: None, is_over: false }
    }

    fn fail(&mut self, trouble: BodyTrouble) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        (self.is_over, self.last) = (true, None);
        Poll::Ready(Some(Err(axum::Error::new(self.ticket.fail(trouble)))))
    }

    /// Counts what came, and extends the time for it.
    fn count(&mut self, bytes: usize) -> Result<(), BodyTrouble> {
        self.received += bytes as u64;
        if let Some((began, timer)) = &mut self.clock {
            timer.as_mut().reset(*began + self.pace.allowed(self.received));
        }
        self.ticket.make_room(bytes)
    }

    fn is_late(&mut self, context: &mut Context<'_>) -> bool {
        let first = self.pace.allowed(0);
        let (_, timer) = self.clock.get_or_insert_with(|| {
            let began = Instant::now();
            (began, Box::pin(sleep_until(began + first)))
        });
        timer.as_mut().poll(context).is_ready()
    }
}

impl HttpBody for PacedBody {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        let body = &mut *self;
        loop {
            if let Some(entering) = &mut body.entering {
                let entered = ready!(entering.as_mut().poll(context));
                body.entering = None;
                body.is_over = true;
                if let Err(trouble) = entered {
                    return body.fail(trouble);
                }
            }
            if body.is_over {
                return Poll::Ready(body.last.take().map(Ok));
            }
            let is_late = body.is_late(context);
            match Pin::new(&mut body.inner).poll_frame(context) {
                Poll::Pending | Poll::Ready(Some(Ok(_))) if is_late => {
                    return body.fail(BodyTrouble::TooSlow);
                }
                Poll::Pending => return Poll::Pending,
                Poll::Ready(None) => body.entering = Some(Box::pin(body.ticket.clone().enter())),
                Poll::Ready(Some(Err(error))) => {
                    body.is_over = true;
                    body.last = None;
                    return Poll::Ready(Some(Err(error)));
                }
                Poll::Ready(Some(Ok(frame))) => {
                    if let Err(trouble) = body.count(frame.data_ref().map_or(0, Bytes::len)) {
                        return body.fail(trouble);
                    }
                    if let Some(previous) = body.last.replace(frame) {
                        return Poll::Ready(Some(Ok(previous)));
                    }
                }
            }
        }
    }

    fn is_end_stream(&self) -> bool {
        self.is_over && self.last.is_none()
    }

    fn size_hint(&self) -> SizeHint {
        self.inner.size_hint()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::traffic::gates::Gates;
    use crate::traffic::limits::CallerKind;
    use axum::body::to_bytes;
    use std::time::Duration;
    use tokio::sync::mpsc;

    const PACE: Pace =
        Pace { first: Duration::from_secs(10), bytes_a_second: 1000, longest: Duration::from_mins(1) };

    /// Parts that somebody sends.
    struct Parts(mpsc::Receiver<Vec<u8>>);

    impl futures_core::Stream for Parts {
        type Item = Result<Vec<u8>, std::io::Error>;

        fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
            self.0.poll_recv(context).map(|part| part.map(Ok))
        }
    }

    /// The outcome for a body with this many parts of this many bytes, one a second.
    async fn read(parts: u64, bytes: usize) -> (Result<usize, ()>, Arc<Ticket>, Duration) {
        tokio::time::pause();
        let (out, inbox) = mpsc::channel(1);
        tokio::spawn(async move {
            for _ in 0..parts {
                tokio::time::sleep(Duration::from_secs(1)).await;
                if out.send(vec![b'x'; bytes]).await.is_err() {
                    return;
                }
            }
        });
        let ticket = Ticket::new(Gates::new().of(CallerKind::Program), Duration::from_secs(2));
        let body = PacedBody::new(Body::from_stream(Parts(inbox)), PACE, ticket.clone());
        let began = Instant::now();
        let read = to_bytes(Body::new(body), usize::MAX).await.map(|b| b.len()).map_err(|_| ());
        (read, ticket, began.elapsed())
    }

    #[tokio::test]
    async fn a_body_that_keeps_its_pace_is_read() {
        let (read, ticket, _) = read(40, 1000).await;
        assert_eq!(read, Ok(40_000));
        assert!(ticket.has_entered() && ticket.trouble().is_none());
    }

    #[tokio::test]
    async fn a_body_that_drips_is_given_up() {
        let (read, ticket, took) = read(1000, 1).await;
        assert_eq!(read, Err(()));
        assert!(!ticket.has_entered() && ticket.trouble().is_some());
        assert!((10..=11).contains(&took.as_secs()), "{took:?}");
    }

    #[tokio::test]
    async fn no_body_takes_longer_than_the_longest() {
        let (read, ticket, took) = read(1000, 1000).await;
        assert_eq!(read, Err(()));
        assert!(ticket.trouble().is_some() && (59..=61).contains(&took.as_secs()), "{took:?}");
    }

    #[tokio::test]
    async fn the_last_part_waits_for_the_turn() {
        let gates = Gates::new();
        let gate = gates.of(CallerKind::Program);
        let all = gate.close().await;
        let ticket = Ticket::new(gate, Duration::from_millis(20));
        let body = PacedBody::new(Body::from("all of it"), PACE, ticket.clone());
        assert!(to_bytes(Body::new(body), usize::MAX).await.is_err());
        assert!(ticket.trouble().is_some());
        drop(all);
        for text in ["all of it", ""] {
            let ticket = Ticket::new(gate, Duration::from_millis(20));
            let body = PacedBody::new(Body::from(text), PACE, ticket.clone());
            assert_eq!(to_bytes(Body::new(body), usize::MAX).await.expect("a body"), text);
            assert!(ticket.has_entered());
        }
    }
}
