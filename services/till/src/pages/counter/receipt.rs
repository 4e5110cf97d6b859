//! A receipt in words; GET /counter/sales/{sale}/receipt.txt returns it as a file to send.

use crate::app::App;
use crate::pages::shown::{channel_name, tender_name, terms_words, void_words};
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use domain::basket::{LineKind, TenderKind};
use domain::ids::SaleId;
use domain::money::Money;
use ledger::Shop;
use ledger::sales::{Exchange, SaleCustomer, SaleView, SoldLine};
use std::fmt::Write;

/// Characters in a line of the file: what a receipt printer for 80 mm paper prints (common practice, no
/// source).
const WIDTH: usize = 42;

/// Where what was brought back went if its sale was not paid.
const LOWERS: &str = "Lowers the open balance";

pub(crate) struct Line {
    pub(crate) title: String,
    pub(crate) calculation: String,
    pub(crate) amount: String,
    pub(crate) off: Option<String>,
    pub(crate) back: Option<String>,
}

/// What was brought back in exchange.
pub(crate) struct ReturnedShown {
    /// The sale that it was sold in, and its receipt.
    pub(crate) sale: String,
    pub(crate) receipt: String,
    pub(crate) lines: Vec<(String, String)>,
    /// What of it lowered the open balance of that sale.
    pub(crate) lowers: Vec<(&'static str, String)>,
    /// How the rest was paid back.
    pub(crate) back: Vec<(String, String)>,
}

impl ReturnedShown {
    fn of(exchange: &Exchange) -> Self {
        let back = |(kind, amount): (TenderKind, Money)| {
            (format!("Paid back: {}", tender_name(kind)), amount.shown())
        };
        Self {
            sale: exchange.sale.to_string(),
            receipt: exchange.receipt.map(|r| r.to_string()).unwrap_or_default(),
            lines: exchange
                .lines
                .iter()
                .map(|l| (l.title.clone(), format!("-{}", l.amount.shown())))
                .collect(),
            lowers: exchange.lowered().map(|amount| (LOWERS, amount.shown())).collect(),
            back: exchange.paid_back().map(back).collect(),
        }
    }
}

pub(crate) struct Receipt {
    pub(crate) shop: String,
    pub(crate) number: String,
    pub(crate) when: String,
    pub(crate) place: String,
    pub(crate) who: String,
    /// For whom it was rung up, with their terms; empty for nobody in particular.
    pub(crate) customer: String,
    pub(crate) lines: Vec<Line>,
    /// Tax, shipping and rounding, where there are any.
    pub(crate) more: Vec<(&'static str, String)>,
    pub(crate) due: String,
    pub(crate) tenders: Vec<(String, String)>,
    pub(crate) change: Option<String>,
    /// What was brought back in exchange.
    pub(crate) returned: Option<ReturnedShown>,
    pub(crate) note: String,
    /// Who voided it, when and why.
    pub(crate) voided: Option<String>,
}

impl Receipt {
    pub(crate) async fn read(app: &App, sale: &SaleView) -> Result<Self, Problem> {
        let shop = app.ledger.shop();
        let voided = void_of(app, &shop, sale).await?;
        let returned = app.ledger.exchange_of(sale.id).await?.as_ref().map(ReturnedShown::of);
        Ok(Self { returned, voided, ..Self::of(&shop, sale) })
    }

    fn of(shop: &Shop, sale: &SaleView) -> Self {
        let totals = &sale.totals;
        let some = |name: &'static str, amount: Money| (!amount.is_zero()).then(|| (name, amount.shown()));
        let more = [
            some("Sales tax", totals.tax),
            some("Shipping", totals.shipping),
            some("Cash rounding", totals.rounding),
        ];
        Self {
            shop: shop.name.clone(),
            number: sale.receipt.map(|r| r.to_string()).unwrap_or_default(),
            when: shop.zone.shown(sale.at),
            place: channel_name(shop, &sale.channel),
            who: sale.who.clone(),
            customer: sale.customer.as_ref().map(customer_words).unwrap_or_default(),
            lines: sale.lines.iter().map(line).collect(),
            more: more.into_iter().flatten().collect(),
            due: totals.due.shown(),
            tenders: sale.tenders.iter().map(|t| tender(&t.tender)).collect(),
            change: (!totals.change.is_zero()).then(|| totals.change.shown()),
            returned: None,
            note: sale.note.clone(),
            voided: None,
        }
    }

    /// As plain text, for a file or a receipt printer.
    pub(crate) fn text(&self) -> String {
        let mut out = String::new();
        let rule = "-".repeat(WIDTH);
        let mut say = |line: &str| {
            // Writing to a String cannot fail.
            let _ = writeln!(out, "{line}");
        };
        say(&self.shop);
        say(&format!("Receipt {}, {}", self.number, self.place));
        say(&self.when);
        if !self.customer.is_empty() {
            say(&self.customer);
        }
        if let Some(voided) = &self.voided {
            say(&rule);
            for line in wrapped(voided) {
                say(&line);
            }
        }
        say(&rule);
        for line in &self.lines {
            say(&pair(&line.title, &line.amount));
            if !line.calculation.is_empty() {
                say(&format!("  {}", line.calculation));
            }
            if let Some(off) = &line.off {
                say(&pair("  Discount", &format!("-{off}")));
            }
        }
        say(&rule);
        for (name, amount) in &self.more {
            say(&pair(name, amount));
        }
        say(&pair("Total", &self.due));
        for (name, amount) in &self.tenders {
            say(&pair(name, amount));
        }
        if let Some(change) = &self.change {
            say(&pair("Change due", change));
        }
        if let Some(returned) = &self.returned {
            for (name, amount) in &returned.back {
                say(&pair(name, amount));
            }
            say(&rule);
            say(&format!("Returned in exchange, receipt {}", returned.receipt));
            for (title, amount) in &returned.lines {
                say(&pair(title, amount));
            }
            for (name, amount) in &returned.lowers {
                say(&pair(name, amount));
            }
        }
        if !self.note.is_empty() {
            say(&rule);
            say(&self.note);
        }
        out
    }
}

/// Who voided a sale, when and why; none if nobody did.
pub(crate) async fn void_of(app: &App, shop: &Shop, sale: &SaleView) -> Result<Option<String>, Problem> {
    if !sale.voided {
        return Ok(None);
    }
    Ok(app.ledger.void_of(sale.id).await?.map(|voided| void_words(shop, &voided)))
}

/// Words in lines of the file's width; a longer word has a line of its own.
fn wrapped(words: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= WIDTH => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A name on the left and a figure on the right; a name that is too long gets its own line.
fn pair(name: &str, figure: &str) -> String {
    let room = WIDTH.saturating_sub(figure.chars().count() + 1);
    if name.chars().count() > room {
        return format!("{name}\n{figure:>WIDTH$}");
    }
    let gap = WIDTH - name.chars().count();
    format!("{name}{figure:>gap$}")
}

fn line(sold: &SoldLine) -> Line {
    let SoldLine { line, given_back, .. } = sold;
    let calculation = match line.kind {
        LineKind::Goods if line.quantity.stock_units() == 1 && line.money.amount == line.price => {
            line.code.clone()
        }
        LineKind::Goods => format!("{} at {} · {}", line.quantity, line.price.shown(), line.code),
        LineKind::GiftCertificate | LineKind::Deposit => String::new(),
    };
    Line {
        title: line.title.clone(),
        calculation,
        amount: line.money.amount.shown(),
        off: (!line.money.discount.is_zero()).then(|| line.money.discount.shown()),
        back: (given_back.stock_units() > 0).then(|| format!("{given_back} refunded")),
    }
}

/// The customer's name and terms, as far as they are known.
fn customer_words(customer: &SaleCustomer) -> String {
    let terms = terms_words(customer.is_wholesale, customer.is_tax_exempt);
    let parts = [customer.name.as_str(), terms.as_str()];
    let parts: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    if parts.is_empty() { String::new() } else { format!("For {}", parts.join(", ")) }
}

fn tender(tender: &ledger::sales::TenderIn) -> (String, String) {
    let name = tender_name(tender.kind);
    let name = match (tender.kind, tender.due) {
        (TenderKind::OnAccount, Some(due)) if tender.customer.is_empty() => {
            format!("On account, due {}", due.shown())
        }
        (TenderKind::OnAccount, Some(due)) => format!("On account: {}, due {}", tender.customer, due.shown()),
        _ => name.to_owned(),
    };
    (name, tender.amount.shown())
}

/// GET /counter/sales/{sale}/receipt.txt
pub(crate) async fn file(
    State(app): State<App>,
    PathParam(sale): PathParam<SaleId>,
) -> Result<Response, Problem> {
    let sale = app.ledger.sale(sale).await?;
    let receipt = Receipt::read(&app, &sale).await?;
    let name = format!("attachment; filename=\"receipt-{}.txt\"", receipt.number);
    let headers =
        [(header::CONTENT_TYPE, "text/plain; charset=utf-8".to_owned()), (header::CONTENT_DISPOSITION, name)];
    Ok((headers, receipt.text()).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_wrapped_to_the_paper() {
        let lines = wrapped("Voided by Ada Moss on May 17, 2026, 12:00 PM: the wrong hat");
        assert_eq!(lines, ["Voided by Ada Moss on May 17, 2026, 12:00", "PM: the wrong hat"]);
        assert_eq!(wrapped(""), Vec::<String>::new());
    }

    #[test]
    fn names_and_figures_stand_at_the_edges() {
        assert_eq!(pair("Change", "4.15"), format!("Change{}4.15", " ".repeat(32)));
        let long = "A very long name of a very woolly piece of work";
        assert_eq!(pair(long, "4.15"), format!("{long}\n{}4.15", " ".repeat(38)));
    }
}
