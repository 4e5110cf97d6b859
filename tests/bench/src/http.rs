//! A counter's HTTP client: one connection that is kept open, one request at a time.

use crate::trouble::{BenchError, Trying};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// The longest wait for an answer: longer than the program's own limit of 5 s when the shop is busy.
const PATIENCE: Duration = Duration::from_secs(30);
/// The largest answer that is read: a sale's answer has a few hundred bytes.
const LONGEST_ANSWER: usize = 1 << 20;

/// A connection that is kept open.
pub(crate) struct Client {
    stream: BufReader<TcpStream>,
    address: String,
    token: String,
    request: Vec<u8>,
}

pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) body: Vec<u8>,
}

impl Client {
    pub(crate) fn connect(address: &str, token: &str) -> Result<Self, BenchError> {
        let stream = TcpStream::connect(address).trying("connecting to the program")?;
        stream.set_nodelay(true).trying("connecting to the program")?;
        stream.set_read_timeout(Some(PATIENCE)).trying("connecting to the program")?;
        let (address, token) = (address.to_owned(), token.to_owned());
        Ok(Self { stream: BufReader::new(stream), address, token, request: Vec::new() })
    }

    pub(crate) fn get(&mut self, path: &str) -> Result<Answer, BenchError> {
        let (address, token) = (&self.address, &self.token);
        let text = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n");
        self.request = text.into_bytes();
        self.send()
    }

    pub(crate) fn post(&mut self, path: &str, key: &str, body: &str) -> Result<Answer, BenchError> {
        self.request.clear();
        write!(
            self.request,
            "POST {path} HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {}\r\nContent-Type: application/json\r\nIdempotency-Key: {key}\r\n\
             Content-Length: {}\r\n\r\n{body}",
            self.address,
            self.token,
            body.len()
        )
        .trying("writing a request")?;
        self.send()
    }

    /// A form with files, as a browser sends it (RFC 7578).
    pub(crate) fn post_form(
        &mut self,
        path: &str,
        fields: &[(&str, String)],
        photographs: &[&[u8]],
    ) -> Result<Answer, BenchError> {
        let mut body = Vec::new();
        for (name, value) in fields {
            let part =
                format!("--edge\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n");
            body.extend(part.into_bytes());
        }
        for (number, bytes) in photographs.iter().enumerate() {
            let head = format!(
                "--edge\r\nContent-Disposition: form-data; name=\"photographs\"; filename=\"{number}.jpg\"\r\n\
                 Content-Type: image/jpeg\r\n\r\n"
            );
            body.extend(head.into_bytes());
            body.extend(*bytes);
            body.extend(b"\r\n");
        }
        body.extend(b"--edge--\r\n");
        let head = format!(
            "POST {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nAuthorization: Bearer {}\r\n\
             Content-Type: multipart/form-data; boundary=edge\r\nContent-Length: {}\r\n\r\n",
            self.token,
            body.len(),
            host = self.address,
        );
        self.request = head.into_bytes();
        self.request.append(&mut body);
        self.send()
    }

    fn send(&mut self) -> Result<Answer, BenchError> {
        self.stream.get_mut().write_all(&self.request).trying("sending a request")?;
        let mut line = String::new();
        self.read_line(&mut line)?;
        let status = line.split(' ').nth(1).and_then(|code| code.parse().ok());
        let status = status.ok_or_else(|| BenchError::Unexpected(format!("not an HTTP answer: {line:?}")))?;
        let mut length = 0;
        loop {
            self.read_line(&mut line)?;
            let Some((name, value)) = line.split_once(':') else { break };
            if name.eq_ignore_ascii_case("content-length") {
                length = value.trim().parse().unwrap_or(usize::MAX);
            }
        }
        if length > LONGEST_ANSWER {
            return Err(BenchError::Unexpected("an answer of unknown or unbelievable length".to_owned()));
        }
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).trying("reading an answer")?;
        Ok(Answer { status, body })
    }

    fn read_line(&mut self, line: &mut String) -> Result<(), BenchError> {
        line.clear();
        if self.stream.read_line(line).trying("reading an answer")? == 0 {
            return Err(BenchError::Unexpected("the program hung up".to_owned()));
        }
        Ok(())
    }
}

impl Answer {
    /// The answer, if its status is as expected.
    pub(crate) fn expect(self, status: u16) -> Result<Self, BenchError> {
        if self.status == status {
            return Ok(self);
        }
        let said = String::from_utf8_lossy(&self.body);
        Err(BenchError::Unexpected(format!("expected {status}, was answered {}: {said}", self.status)))
    }
}
