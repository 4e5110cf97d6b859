//! GET /books/sale/{id}: a sale as the books have it, with its refunds.

use super::Summed;
use super::day::sale_name;
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::{channel_name, moment, tender_name};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use domain::basket::{LineKind, Totals};
use domain::day::Day;
use domain::ids::SaleId;
use domain::money::Money;
use domain::stock::ReturnDisposition;
use ledger::sales::{RefundView, SaleView, SoldLine, Tender, Voided};

#[derive(Debug)]
pub(crate) struct LineShown {
    title: String,
    amount: Money,
    /// How it was made, and what became of it.
    notes: Vec<String>,
}

#[derive(Debug)]
pub(crate) struct TenderShown {
    name: String,
    amount: Money,
    note: Option<String>,
}

#[derive(Debug)]
pub(crate) struct RefundShown {
    at: String,
    given: Money,
    reason: String,
    lines: Vec<String>,
}

#[derive(Debug)]
pub(crate) struct Worth {
    net: Money,
    cost: Money,
    fee: Money,
    margin: Money,
    /// Lines with unknown cost.
    uncosted: usize,
}

#[derive(Template)]
#[template(path = "books/sale.html")]
pub(crate) struct Page {
    frame: Frame,
    name: String,
    channel: String,
    at: String,
    day: Day,
    sale: SaleView,
    voided: Option<Voided>,
    totals: Totals,
    lines: Vec<LineShown>,
    tenders: Vec<TenderShown>,
    refunds: Vec<RefundShown>,
    worth: Worth,
}

fn line_shown(sold: &SoldLine) -> LineShown {
    let line = &sold.line;
    let mut notes = Vec::new();
    if line.kind == LineKind::Goods {
        let code = if line.code.is_empty() { String::new() } else { format!(" · {}", line.code) };
        notes.push(format!("{} at {}{code}", line.quantity, line.price.shown()));
    }
    if !line.money.discount.is_zero() {
        notes.push(format!("{} discount", line.money.discount.shown()));
    }
    if !line.money.tax.is_zero() {
        notes.push(format!("sales tax {}", line.money.tax.shown()));
    }
    if sold.given_back.stock_units() > 0 {
        notes.push(format!("{} refunded", sold.given_back));
    }
    LineShown { title: line.title.clone(), amount: line.money.amount, notes }
}

fn tender_shown(tender: &Tender) -> TenderShown {
    let owed = tender.still_owed.map(|left| {
        let due = tender.tender.due.map(|day| format!(", due {}", day.shown())).unwrap_or_default();
        let left =
            if left.is_zero() { "paid in full".to_owned() } else { format!("{} still unpaid", left.shown()) };
        format!("{}{due}: {left}", tender.tender.customer)
    });
    TenderShown { name: tender_name(tender.tender.kind).to_owned(), amount: tender.tender.amount, note: owed }
}

fn refund_shown(sale: &SaleView, refund: RefundView, at: String) -> RefundShown {
    let title = |id| sale.lines.iter().find(|l| l.line.id == id).map_or("", |l| l.line.title.as_str());
    let line = |(_, line, fate): &(_, _, ReturnDisposition)| {
        let became = match fate {
            ReturnDisposition::Shelf => "returned to stock",
            ReturnDisposition::WrittenOff => "written off",
            ReturnDisposition::Open => "return to stock or write off not decided yet",
        };
        format!("{}: {became}", title(*line))
    };
    RefundShown {
        at,
        given: refund.given,
        reason: refund.reason,
        lines: refund.lines.iter().map(line).collect(),
    }
}

/// As it was sold; refunds count on their own day.
fn worth(sale: &SaleView) -> Result<Worth, Problem> {
    let goods = || sale.lines.iter().filter(|l| l.line.kind == LineKind::Goods);
    let currency = sale.fee.currency();
    let gross = Money::sum(goods().map(|l| l.line.money.amount), currency).summed()?;
    let cost = Money::sum(goods().filter_map(|l| l.cost), currency).summed()?;
    let net = gross.minus(sale.totals.discounts).summed()?;
    let margin = net.minus(cost).and_then(|m| m.minus(sale.fee)).summed()?;
    Ok(Worth { net, cost, fee: sale.fee, margin, uncosted: goods().filter(|l| l.cost.is_none()).count() })
}

/// GET /books/sale/{id}
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<SaleId>,
) -> Result<HtmlPage<Page>, Problem> {
    let mut sale = app.ledger.sale(id).await?;
    let voided = app.ledger.void_of(id).await?;
    let shop = app.ledger.refresh_shop().await?;
    let refunds = std::mem::take(&mut sale.refunds);
    let shown = |refund: RefundView| {
        let at = moment(&shop.zone, refund.at);
        refund_shown(&sale, refund, at)
    };
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Books),
        name: sale_name(sale.receipt, sale.order.as_deref()),
        channel: channel_name(&shop, &sale.channel),
        at: moment(&shop.zone, sale.at),
        day: shop.zone.day_of(sale.at),
        totals: sale.totals,
        lines: sale.lines.iter().map(line_shown).collect(),
        tenders: sale.tenders.iter().map(tender_shown).collect(),
        refunds: refunds.into_iter().map(shown).collect(),
        worth: worth(&sale)?,
        voided,
        sale,
    }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use ledger::keeping::SetShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_sale_stands_as_it_was_sold_with_what_return_decision() {
        let shop = TestShop::open().await;
        let fee = SetShop { key: "fee.store".to_owned(), value: "2.5%".to_owned(), who: "owner".to_owned() };
        shop.ledger().execute(None, &fee).await.expect("set");
        let sold = json!({"channel": "store", "note": "for the fair",
            "lines": [{"sku": "COWL", "quantity": "1", "discount": "3.00", "tax": "2.25"},
                {"sku": "SPINDLE", "quantity": "2"}],
            "tenders": [{"kind": "cash", "amount": "40.00"},
                {"kind": "on-account", "amount": "43.25", "customer": "Ada", "due": "2026-06-17"}]});
        let sold = shop.post("/api/sales", "k1", sold).await;
        assert_eq!(sold.status, 201, "{}", sold.text());
        let sold = sold.json();
        let (id, line) = (sold["id"].as_str().expect("an id"), &sold["lines"][1]["id"]);
        let back = json!({"tender": "on-account", "reason": "did not fit",
            "lines": [{"line": line, "quantity": "1", "fate": "written-off"}]});
        let back = shop.post(&format!("/api/sales/{id}/refunds"), "k2", back).await;
        assert!(back.status < 300, "{}", back.text());
        let reply = shop.get(&format!("/books/sale/{id}")).await;
        let page = reply.text();
        // 48.00 less 3.00, two spindles at 18.00: 81.00 net, 2.25 tax. 2.5% of 83.25 is 2.08.
        for part in [
            "<h1>Receipt 1</h1>",
            "Moor cowl<span>$48.00</span>",
            "$3.00 discount",
            "sales tax $2.25",
            "1 refunded",
            "<span>$83.25</span>",
            "Ada, due Jun 17, 2026: $25.25 still unpaid",
            "did not fit",
            "Drop spindle: written off",
            "for the fair",
            "<dd>$81.00</dd>",
            "<dd>$2.08</dd>",
            "<dd>$12.50</dd>",
            "href=\"/books/day/2026-05-17\"",
        ] {
            assert!(page.contains(part), "{part} in {page}");
        }
        assert_eq!(shop.get("/books/sale/77").await.status, 404);
        assert_eq!(shop.get("/books/sale/x").await.status, 404);
    }
}
