//! A receipt as plain text: GET /counter/sales/{sale}/receipt.txt returns it as a file, and the person's own mail
//! program gets it as a draft.

use crate::app::App;
use crate::pages::counter::mail_draft::mail_draft;
use crate::pages::counter::receipt::{Letterhead, Receipt, ReturnedShown};
use crate::pages::counter::slip_text::SlipText;
use crate::pages::shown::counted;
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use domain::ids::SaleId;

/// How much of the lines is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Detail {
    /// With how each price came about.
    Full,
    /// Titles and amounts.
    Lines,
    /// How many lines there are.
    Count,
}

impl Letterhead {
    pub(crate) fn write_head(&self, out: &mut SlipText) {
        out.line(&self.shop);
        for line in &self.address {
            out.line(line);
        }
    }

    pub(crate) fn write_foot(&self, out: &mut SlipText) {
        out.section(&self.note);
        out.section(&self.return_policy);
    }
}

impl Receipt {
    /// For a file or a receipt printer.
    pub(crate) fn text(&self) -> String {
        let mut out = SlipText::for_paper();
        self.write(&mut out, Detail::Full);
        out.text()
    }

    /// A link that opens a draft in the person's own mail program, with as much as fits.
    pub(crate) fn draft(&self) -> String {
        let subject = format!("Receipt {} from {}", self.number, self.head.shop);
        let of = |detail| {
            let mut out = SlipText::for_message();
            self.write(&mut out, detail);
            out.text()
        };
        mail_draft(&subject, [Detail::Full, Detail::Lines, Detail::Count].into_iter().map(of))
    }

    fn write(&self, out: &mut SlipText, detail: Detail) {
        self.head.write_head(out);
        out.line(&format!("Receipt {}, {}", self.number, self.place));
        out.line(&self.when);
        if let Some(order) = &self.order {
            out.line(&format!("Order {order}"));
        }
        if !self.customer.is_empty() {
            out.words(&self.customer);
        }
        if let Some(voided) = &self.voided {
            out.rule();
            out.words(voided);
        }
        out.rule();
        self.write_lines(out, detail);
        out.rule();
        self.write_sums(out);
        if let Some(returned) = &self.returned {
            returned.write(out, detail);
        }
        if !self.note.is_empty() {
            out.rule();
            out.words(&self.note);
        }
        self.head.write_foot(out);
        if let Some(code) = self.code {
            out.rule();
            out.line(&code.to_string());
        }
    }

    fn write_lines(&self, out: &mut SlipText, detail: Detail) {
        if detail == Detail::Count {
            return out.line(&counted(self.lines.len(), "item", "items"));
        }
        for line in &self.lines {
            out.pair(&line.title, &line.amount);
            if !line.calculation.is_empty() && detail == Detail::Full {
                out.words(&format!("  {}", line.calculation));
            }
            if let Some(off) = &line.off {
                out.pair("  Discount", &format!("-{off}"));
            }
        }
    }

    fn write_sums(&self, out: &mut SlipText) {
        for (name, amount) in &self.more {
            out.pair(name, amount);
        }
        out.pair("Total", &self.due);
        for (name, amount) in &self.tenders {
            out.pair(name, amount);
        }
        if let Some(change) = &self.change {
            out.pair("Change due", change);
        }
        for (name, amount) in self.returned.iter().flat_map(|returned| &returned.back) {
            out.pair(name, amount);
        }
    }
}

impl ReturnedShown {
    fn write(&self, out: &mut SlipText, detail: Detail) {
        out.rule();
        out.line(&format!("Returned in exchange, receipt {}", self.receipt));
        if detail == Detail::Count {
            return out.line(&counted(self.lines.len(), "item", "items"));
        }
        for (title, amount) in &self.lines {
            out.pair(title, amount);
        }
        for (name, amount) in &self.lowers {
            out.pair(name, amount);
        }
    }
}

/// GET /counter/sales/{sale}/receipt.txt
pub(crate) async fn file(
    State(app): State<App>,
    PathParam(sale): PathParam<SaleId>,
) -> Result<Response, Problem> {
    let sale = app.ledger.sale(sale).await?;
    let receipt = Receipt::read(&app, &sale).await?;
    Ok(text_file(&format!("receipt-{}.txt", receipt.number), receipt.text()))
}

/// A text as a file to keep.
pub(crate) fn text_file(name: &str, text: String) -> Response {
    let headers = [
        (header::CONTENT_TYPE, "text/plain; charset=utf-8".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    (headers, text).into_response()
}
