//! POST /api/sales/{id}/refunds

use crate::api::answer::Answer;
use crate::api::certificates::IssuedShown;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{Body, Write};
use crate::request::query::PathParam;
use crate::request::values;
use axum::extract::State;
use domain::account::AccountReason;
use domain::basket::{Given, MAX_LINES, MAX_TENDERS, TenderKind};
use domain::certificate::CertificateNumber;
use domain::ids::{RefundLineId, SaleId, SaleLineId};
use domain::money::Currency;
use domain::refund::Part;
use domain::stock::ReturnDisposition;
use ledger::sales::{NewRefund, RefundDone, RefundLine, RefundOf, RefundTender};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What to refund: lines or parts of them; without lines, everything that is left with its shipping.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct RefundText {
    #[serde(default)]
    lines: Vec<RefundLineText>,
    /// What becomes of the goods, unless a line says so: shelf, written-off or open.
    fate: Option<String>,
    /// Shipping to refund with the lines, or alone without lines.
    shipping: Option<String>,
    /// All of the money this way: cash, card, check, online, gift-certificate, on-account or other.
    tender: Option<String>,
    /// The number of the gift certificate that gets the money; without it a new one is issued.
    certificate: Option<String>,
    /// Or the money in these parts.
    #[serde(default)]
    tenders: Vec<PartText>,
    reason: String,
}

/// A line, or a part of it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct RefundLineText {
    /// The line of the sale.
    line: String,
    /// How much of the goods; everything that is left if left out.
    quantity: Option<String>,
    /// The unit of the quantity, for goods by weight; the item's own if left out.
    unit_code: Option<String>,
    /// Only money, tax included, if the customer keeps the goods; then without quantity and fate.
    amount: Option<String>,
    /// shelf, written-off or open.
    fate: Option<String>,
}

/// A part of the money.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct PartText {
    kind: String,
    amount: String,
}

impl Body for RefundText {}

impl RefundText {
    fn read(self, sale: SaleId, currency: Currency, who: String) -> Result<NewRefund, Problem> {
        let fate = self.fate.as_deref().map(|f| values::fate(f, "#/fate")).transpose()?;
        let lines = lines_of(&self.lines, fate, currency)?;
        let shipping = values::money_or_none(self.shipping.as_deref(), currency, "#/shipping")?;
        if shipping.is_negative() {
            return Err(Problem::invalid("#/shipping", "refunded shipping may not be below 0"));
        }
        let all_of_it = lines.is_empty() && shipping.is_zero();
        let tender = self.tender(currency)?;
        let certificate = self.certificate.as_deref().map(|n| values::certificate(n, "#/certificate"));
        let certificate = certificate.transpose()?.or_else(|| new_certificate(&tender));
        let fate = if all_of_it { said(fate, "#/fate")? } else { fate.unwrap_or(ReturnDisposition::Open) };
        Ok(NewRefund { sale, lines, fate, shipping, tender, certificate, reason: self.reason, who })
    }

    fn tender(&self, currency: Currency) -> Result<RefundTender, Problem> {
        let words = "say how the money is given back: tender, or tenders in parts";
        match (self.tender.as_deref(), self.tenders.len()) {
            (Some(kind), 0) => Ok(RefundTender::All(values::tender_kind(kind, "#/tender")?)),
            (None, 1..=MAX_TENDERS) => {
                let part = |(index, part): (usize, &PartText)| {
                    let kind = values::tender_kind(&part.kind, &format!("#/tenders/{index}/kind"))?;
                    let amount = values::money(&part.amount, currency, &format!("#/tenders/{index}/amount"))?;
                    Ok((kind, amount))
                };
                Ok(RefundTender::Parts(
                    self.tenders.iter().enumerate().map(part).collect::<Result<_, Problem>>()?,
                ))
            }
            (None, 0) => Err(Problem::invalid("#/tender", words)),
            _ => Err(Problem::invalid("#/tenders", format!("{words}; at most {MAX_TENDERS}"))),
        }
    }
}

/// The number that a new gift certificate gets, if money is returned on one.
fn new_certificate(tender: &RefundTender) -> Option<CertificateNumber> {
    let is_issued = match tender {
        RefundTender::All(kind) | RefundTender::Exchange { rest: kind, .. } => {
            *kind == TenderKind::GiftCertificate
        }
        RefundTender::Parts(parts) => parts.iter().any(|part| part.0 == TenderKind::GiftCertificate),
    };
    is_issued.then(values::new_certificate)
}

/// The lines of a refund, at most [`MAX_LINES`], with what becomes of the goods unless a line says so.
pub(super) fn lines_of(
    lines: &[RefundLineText],
    default: Option<ReturnDisposition>,
    currency: Currency,
) -> Result<Vec<RefundLine>, Problem> {
    if lines.len() > MAX_LINES {
        return Err(Problem::invalid("#/lines", format!("a refund has at most {MAX_LINES} lines")));
    }
    lines.iter().enumerate().map(|(index, line)| line.read(index, default, currency)).collect()
}

impl RefundLineText {
    fn read(
        &self,
        index: usize,
        default: Option<ReturnDisposition>,
        currency: Currency,
    ) -> Result<RefundLine, Problem> {
        let place = format!("#/lines/{index}");
        if let Some(amount) = &self.amount {
            return self.read_money(amount, &place, currency);
        }
        let own = format!("{place}/fate");
        let fate = self.fate.as_deref().map(|f| values::fate(f, &own)).transpose()?;
        let unit = self.unit_code.as_deref();
        if unit.is_some() && self.quantity.is_none() {
            return Err(Problem::invalid(
                format!("{place}/unitCode"),
                "enter the quantity, or leave the unit out",
            ));
        }
        let quantity = self.quantity.as_deref().map(|q| values::asked(q, unit, &place)).transpose()?;
        Ok(RefundLine {
            line: values::id(&self.line, &format!("{place}/line"))?,
            what: quantity.map_or(RefundOf::Rest, RefundOf::Goods),
            fate: said(fate.or(default), &own)?,
        })
    }

    fn read_money(&self, amount: &str, place: &str, currency: Currency) -> Result<RefundLine, Problem> {
        let besides = [("quantity", &self.quantity), ("unitCode", &self.unit_code), ("fate", &self.fate)];
        if let Some((name, _)) = besides.into_iter().find(|(_, given)| given.is_some()) {
            let words = "an amount is money alone and no goods come back; leave this out, or the amount";
            return Err(Problem::invalid(format!("{place}/{name}"), words));
        }
        Ok(RefundLine {
            line: values::id(&self.line, &format!("{place}/line"))?,
            what: RefundOf::Money(values::money(amount, currency, &format!("{place}/amount"))?),
            fate: ReturnDisposition::Open,
        })
    }
}

fn said(fate: Option<ReturnDisposition>, pointer: &str) -> Result<ReturnDisposition, Problem> {
    fate.ok_or_else(|| {
        Problem::invalid(
            pointer,
            "say what becomes of the goods: shelf, written-off, or open to decide later",
        )
    })
}

/// The refund that was made.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RefundMade {
    id: String,
    sale: String,
    lines: Vec<RefundedShown>,
    shipping: String,
    /// What cash rounding added, or took if below 0.
    rounding: String,
    /// What the customer gets back.
    given: String,
    /// How it goes: what is still owed for the sale is lowered first, as `on-account`.
    tenders: Vec<GivenShown>,
    /// The gift certificate that got the money, with the number to print on it.
    certificates: Vec<IssuedShown>,
}

/// Money that is returned in one way.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct GivenShown {
    kind: &'static str,
    amount: String,
}

/// What was refunded of a line.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RefundedShown {
    /// The identifier for deciding about the goods.
    id: String,
    /// The line of the sale.
    line: String,
    amount: String,
    discount: String,
    tax: String,
}

impl RefundMade {
    pub(super) fn of(done: RefundDone, certificates: Vec<IssuedShown>) -> Self {
        let given = |(kind, amount): &Given| GivenShown { kind: kind.code(), amount: amount.to_string() };
        let line = |(id, line, part): (RefundLineId, SaleLineId, Part)| RefundedShown {
            id: id.to_string(),
            line: line.to_string(),
            amount: part.amount.to_string(),
            discount: part.discount.to_string(),
            tax: part.tax.to_string(),
        };
        Self {
            id: done.id.to_string(),
            sale: done.sale.to_string(),
            lines: done.lines.into_iter().map(line).collect(),
            shipping: done.shipping.to_string(),
            rounding: done.rounding.to_string(),
            given: done.given.to_string(),
            tenders: done.tenders.iter().map(given).collect(),
            certificates,
        }
    }
}

/// The gift certificates that got money, which most refunds do not have.
pub(super) async fn paid_on(app: &App, done: &RefundDone) -> Result<Vec<IssuedShown>, Problem> {
    if done.tenders.iter().all(|given| given.0 != TenderKind::GiftCertificate) {
        return Ok(Vec::new());
    }
    let mut certificates = app.ledger.certificates_of(done.sale).await?;
    certificates.retain(|of| of.refund == Some(done.id));
    Ok(IssuedShown::all_of(certificates, AccountReason::Refund))
}

/// Refunds money for a sale and says what becomes of the goods. Never more than was sold.
#[utoipa::path(post, path = "/api/sales/{id}/refunds", tag = "sales", request_body = RefundText,
    params(("id" = String, Path, description = "The sale."), KeyHeader),
    responses(
        (status = 201, description = "The refund.", body = RefundMade, headers(("Location" = String))),
        WriteProblems,
    ))]
pub(crate) async fn refund(
    State(app): State<App>,
    PathParam(sale): PathParam<SaleId>,
    write: Write<RefundText>,
) -> Result<Answer<RefundMade>, Problem> {
    let refund = write.body.read(sale, app.ledger.shop().currency, write.who)?;
    let done = app.run(&write.key, &refund).await?;
    let certificates = paid_on(&app, &done.answer).await?;
    let made = RefundMade::of(done.answer, certificates);
    Ok(Answer::created(done.replayed, format!("/api/sales/{sale}"), made))
}

#[cfg(test)]
mod tests {
    use crate::testing::{Reply, TestShop};
    use serde_json::{Value, json};

    /// A sale of three spindles at 18.00 with 4.00 off, and 5.00 shipping: 55.00 by card.
    async fn sold(shop: &TestShop) -> (String, String) {
        let sale = json!({"channel": "store", "lines": [{"sku": "SPINDLE", "quantity": "3", "discount": "4.00"}],
            "shipping": "5.00", "tenders": [{"kind": "card", "amount": "55.00"}]});
        let reply = shop.post("/api/sales", "sold", sale).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
        let sale = reply.json();
        let text = |v: &Value| v.as_str().expect("text").to_owned();
        (text(&sale["id"]), text(&sale["lines"][0]["id"]))
    }

    async fn give_back(shop: &TestShop, sale: &str, key: &str, body: Value) -> Reply {
        shop.post(&format!("/api/sales/{sale}/refunds"), key, body).await
    }

    #[tokio::test]
    async fn parts_of_a_line_give_back_all_of_its_money_and_no_more() {
        let shop = TestShop::open().await;
        let (sale, line) = sold(&shop).await;
        let one = json!({"lines": [{"line": line, "quantity": "1", "fate": "shelf"}], "tender": "card", "reason": "a gift"});
        // 4.00 over three is 1.33, 1.33 and the rest, 1.34.
        for (key, discount, given) in
            [("r1", "1.33", "16.67"), ("r2", "1.34", "16.66"), ("r3", "1.33", "16.67")]
        {
            let reply = give_back(&shop, &sale, key, one.clone()).await;
            assert_eq!(reply.status, 201, "{}", reply.text());
            assert_eq!(reply.header("location"), Some(format!("/api/sales/{sale}").as_str()));
            let made = reply.json();
            assert_eq!(
                (&made["lines"][0]["discount"], &made["given"]),
                (&json!(discount), &json!(given)),
                "{key}"
            );
        }
        let more = give_back(&shop, &sale, "r4", one.clone()).await;
        more.expect_problem("more-than-sold", 422);
        assert_eq!((&more.json()["asked"], &more.json()["left"]), (&json!("1"), &json!("0")));
        let again = give_back(&shop, &sale, "r4", one).await;
        again.expect_problem("more-than-sold", 422);
        assert_eq!(again.header("answered-before"), Some("true"));
        let shipping = json!({"shipping": "5.00", "tender": "card", "reason": "late"});
        assert_eq!(give_back(&shop, &sale, "r5", shipping.clone()).await.json()["given"], "5.00");
        give_back(&shop, &sale, "r6", shipping).await.expect_problem("more-than-sold", 422);
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "10");
        let shown = shop.get(&format!("/api/sales/{sale}")).await.json();
        assert_eq!(
            (shown["refunds"].as_array().map(Vec::len), &shown["lines"][0]["givenBack"]),
            (Some(4), &json!("3"))
        );
    }

    #[tokio::test]
    async fn money_alone_goes_back_and_the_goods_stay_sold() {
        let shop = TestShop::open().await;
        let (sale, line) = sold(&shop).await;
        let money = |amount: &str| json!({"lines": [{"line": line, "amount": amount}], "tender": "card", "reason": "a flaw"});
        let reply = give_back(&shop, &sale, "r1", money("5.00")).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
        let made = reply.json();
        // 50.00 is left of 54.00 with 4.00 off: 5.00 is a tenth of either.
        let part = [&made["lines"][0]["amount"], &made["lines"][0]["discount"], &made["given"]];
        assert_eq!(part, [&json!("5.40"), &json!("0.40"), &json!("5.00")]);
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "7", "nothing came back");
        let decide = json!({"fate": "shelf"});
        let line_refunded =
            format!("/api/refund-lines/{}/fate", made["lines"][0]["id"].as_str().expect("text"));
        shop.post(&line_refunded, "fate", decide).await.expect_problem("invalid", 422);
        let more = give_back(&shop, &sale, "r2", money("45.01")).await;
        more.expect_problem("more-than-sold", 422);
        assert_eq!((&more.json()["asked"], &more.json()["left"]), (&json!("45.01"), &json!("45.00")));
        // The rest of the goods refunds what is left, to the cent.
        let rest =
            json!({"lines": [{"line": line, "fate": "shelf"}], "tender": "card", "reason": "all of it"});
        assert_eq!(give_back(&shop, &sale, "r3", rest).await.json()["given"], "45.00");
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "10");
    }

    #[tokio::test]
    async fn without_lines_all_that_is_left_goes_back() {
        let shop = TestShop::open().await;
        let (sale, _) = sold(&shop).await;
        let whole = json!({"fate": "written-off", "reason": "moths",
            "tenders": [{"kind": "cash", "amount": "25.00"}, {"kind": "card", "amount": "30.00"}]});
        let reply = give_back(&shop, &sale, "r1", whole).await;
        assert_eq!((reply.status, &reply.json()["given"]), (201, &json!("55.00")), "{}", reply.text());
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "7");
    }

    #[tokio::test]
    async fn what_cannot_be_is_refused_at_its_place() {
        let shop = TestShop::open().await;
        let (sale, line) = sold(&shop).await;
        let check = |body: Value, pointer: &'static str| {
            let (shop, sale) = (&shop, sale.clone());
            async move { give_back(shop, &sale, &body.to_string(), body.clone()).await.expect_fault(pointer) }
        };
        let with = |line: Value| json!({"lines": [line], "tender": "cash", "reason": ""});
        check(with(json!({"line": line})), "#/lines/0/fate").await;
        check(with(json!({"line": line, "fate": "moths"})), "#/lines/0/fate").await;
        check(with(json!({"line": "x", "fate": "shelf"})), "#/lines/0/line").await;
        check(with(json!({"line": line, "fate": "shelf", "quantity": 1})), "#/lines/0/quantity").await;
        check(with(json!({"line": line, "fate": "shelf", "unitCode": "ONZ"})), "#/lines/0/unitCode").await;
        check(with(json!({"line": line, "amount": "5.00", "quantity": "1"})), "#/lines/0/quantity").await;
        check(with(json!({"line": line, "amount": "5.00", "fate": "shelf"})), "#/lines/0/fate").await;
        check(with(json!({"line": line, "amount": "much"})), "#/lines/0/amount").await;
        check(with(json!({"line": line, "amount": "0.00"})), "#/quantity").await;
        check(json!({"tender": "cash", "reason": ""}), "#/fate").await;
        check(json!({"fate": "shelf", "reason": ""}), "#/tender").await;
        check(json!({"fate": "shelf", "tender": "goats", "reason": ""}), "#/tender").await;
        check(json!({"fate": "shelf", "tender": "cash", "shipping": "-1", "reason": ""}), "#/shipping").await;
        let both = json!({"fate": "shelf", "tender": "cash", "tenders": [{"kind": "cash", "amount": "55.00"}], "reason": ""});
        check(both, "#/tenders").await;
        let short = json!({"fate": "shelf", "tenders": [{"kind": "cash", "amount": "54.99"}], "reason": ""});
        check(short, "#/tender").await;
        let other = with(json!({"line": "77", "fate": "shelf"}));
        give_back(&shop, &sale, "other", other).await.expect_problem("no-such", 404);
        let whole = json!({"fate": "shelf", "tender": "cash", "reason": ""});
        give_back(&shop, "77", "none", whole).await.expect_problem("no-such", 404);
    }
}
