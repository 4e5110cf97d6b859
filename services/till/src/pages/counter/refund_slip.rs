//! The slip of a refund: GET /counter/refunds/{refund}, and as a file GET /counter/refunds/{refund}/slip.txt

use crate::app::App;
use crate::images::barcode;
use crate::pages::counter::mail_draft::mail_draft;
use crate::pages::counter::print::{Paper, PaperQuery};
use crate::pages::counter::receipt::Letterhead;
use crate::pages::counter::receipt_text::text_file;
use crate::pages::counter::slip_text::SlipText;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::{channel_name, tender_name};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::response::Response;
use domain::basket::{Given, TenderKind};
use domain::ids::RefundId;
use domain::money::Money;
use domain::receipt::ReceiptCode;
use ledger::Shop;
use ledger::sales::{RefundSlip, RefundedLine};

struct Line {
    title: String,
    note: String,
    amount: String,
    off: Option<String>,
}

/// A refund as its slip shows it.
struct Slip {
    head: Letterhead,
    sale: String,
    receipt: String,
    code: Option<ReceiptCode>,
    when: String,
    place: String,
    who: String,
    reason: String,
    lines: Vec<Line>,
    more: Vec<(&'static str, String)>,
    given: String,
    tenders: Vec<(String, String)>,
    exchanged_for: Option<String>,
}

impl Slip {
    fn of(shop: &Shop, refund: &RefundSlip) -> Self {
        let some = |name: &'static str, amount: Money| (!amount.is_zero()).then(|| (name, amount.shown()));
        let more = [
            some("Sales tax", refund.tax),
            some("Shipping", refund.shipping),
            some("Cash rounding", refund.rounding),
        ];
        Self {
            head: Letterhead::of(shop),
            sale: refund.sale.to_string(),
            receipt: refund.receipt.map(|r| r.to_string()).unwrap_or_default(),
            code: refund.receipt.map(ReceiptCode::of),
            when: shop.zone.shown(refund.at),
            place: channel_name(shop, &refund.channel),
            who: refund.who.clone(),
            reason: refund.reason.clone(),
            lines: refund.lines.iter().map(line).collect(),
            more: more.into_iter().flatten().collect(),
            given: refund.given.shown(),
            tenders: refund.tenders.iter().map(given).collect(),
            exchanged_for: refund.exchanged_for.map(|r| r.to_string()),
        }
    }

    fn bars(&self) -> Option<String> {
        self.code.and_then(barcode::receipt)
    }

    fn text(&self) -> String {
        let mut out = SlipText::for_paper();
        self.write(&mut out);
        out.text()
    }

    fn draft(&self) -> String {
        let mut out = SlipText::for_message();
        self.write(&mut out);
        let subject = format!("Refund for receipt {} from {}", self.receipt, self.head.shop);
        mail_draft(&subject, std::iter::once(out.text()))
    }

    fn write(&self, out: &mut SlipText) {
        self.head.write_head(out);
        out.line(&format!("Refund for receipt {}, {}", self.receipt, self.place));
        out.line(&self.when);
        out.rule();
        for line in &self.lines {
            out.pair(&line.title, &line.amount);
            if !line.note.is_empty() {
                out.words(&format!("  {}", line.note));
            }
            if let Some(off) = &line.off {
                out.pair("  Discount", &format!("-{off}"));
            }
        }
        out.rule();
        for (name, amount) in &self.more {
            out.pair(name, amount);
        }
        out.pair("Refunded", &self.given);
        for (name, amount) in &self.tenders {
            out.pair(name, amount);
        }
        if let Some(receipt) = &self.exchanged_for {
            out.line(&format!("Exchanged for receipt {receipt}"));
        }
        if !self.reason.is_empty() {
            out.rule();
            out.words(&self.reason);
        }
        self.head.write_foot(out);
        if let Some(code) = self.code {
            out.rule();
            out.line(&code.to_string());
        }
    }
}

fn line(line: &RefundedLine) -> Line {
    let quantity = match line.quantity.stock_units() {
        0 => "Money only".to_owned(),
        1 if !line.code.is_empty() => String::new(),
        _ => line.quantity.to_string(),
    };
    let parts = [quantity, line.code.clone()];
    Line {
        title: line.title.clone(),
        note: parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" · "),
        amount: line.amount.shown(),
        off: (!line.discount.is_zero()).then(|| line.discount.shown()),
    }
}

fn given((kind, amount): &Given) -> (String, String) {
    let name = match kind {
        TenderKind::OnAccount => "Off the open balance".to_owned(),
        TenderKind::Deposit => "Back to the deposit".to_owned(),
        kind => tender_name(*kind).to_owned(),
    };
    (name, amount.shown())
}

#[derive(Template)]
#[template(path = "counter/refund_slip.html")]
pub(crate) struct Page {
    frame: Frame,
    id: String,
    slip: Slip,
    paper: Paper,
}

/// GET /counter/refunds/{refund}
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(refund): PathParam<RefundId>,
    QueryParam(query): QueryParam<PaperQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let slip = Slip::of(&app.ledger.shop(), &app.ledger.refund(refund).await?);
    let frame = Frame::new(&app, &caller, Room::Counter);
    Ok(HtmlPage(Page { frame, id: refund.to_string(), slip, paper: query.paper }))
}

/// GET /counter/refunds/{refund}/slip.txt
pub(crate) async fn file(
    State(app): State<App>,
    PathParam(refund): PathParam<RefundId>,
) -> Result<Response, Problem> {
    let slip = Slip::of(&app.ledger.shop(), &app.ledger.refund(refund).await?);
    Ok(text_file(&format!("refund-{}.txt", slip.receipt), slip.text()))
}
