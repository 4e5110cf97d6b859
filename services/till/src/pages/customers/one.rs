//! GET /customers/{id}, and what changes a customer

use super::fields::{ContactFields, in_words};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::promised::{caution, state_words};
use crate::pages::shown::channel_name;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::PathParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::customer::{BasisPoints, Exemption, Terms};
use domain::day::Day;
use domain::ids::CustomerId;
use domain::money::Money;
use domain::people::Permission;
use ledger::customers::{CustomerState, CustomerView, EditCustomer, SetTerms};
use ledger::shelf::Hold;
use ledger::{Ledger, Shop};

/// Purchases that are listed.
const MOST_LISTED: usize = 50;

struct Purchase {
    sale: String,
    name: String,
    about: String,
    paid: String,
}

struct Balance {
    sale: String,
    due: String,
    left: String,
    is_late: bool,
}

/// A line with a link: a hold or an order.
struct Linked {
    path: String,
    name: String,
    about: String,
}

/// The terms, as they were typed or are saved.
struct TermsFields {
    is_wholesale: bool,
    certificate: String,
    keep_until: String,
    discount: String,
}

impl TermsFields {
    fn typed(form: &Form) -> Self {
        let text = |name: &str| form.text(name).to_owned();
        Self {
            is_wholesale: form.has("wholesale"),
            certificate: text("certificate"),
            keep_until: text("keep_until"),
            discount: text("discount"),
        }
    }

    fn saved(terms: &Terms) -> Self {
        let exemption = terms.exemption.as_ref();
        Self {
            is_wholesale: terms.wholesale,
            certificate: exemption.map(|e| e.certificate.clone()).unwrap_or_default(),
            keep_until: exemption.map(|e| e.keep_until.to_string()).unwrap_or_default(),
            discount: terms.discount.map(|discount| discount.to_string()).unwrap_or_default(),
        }
    }

    fn read(&self) -> Result<Terms, Faults> {
        let discount = match self.discount.as_str() {
            "" => None,
            text => {
                Some(BasisPoints::parse(text).map_err(|error| Faults::one("discount", error.to_string()))?)
            }
        };
        let exemption = match (self.certificate.as_str(), self.keep_until.as_str()) {
            ("", _) => None,
            (_, "") => {
                return Err(Faults::one("keep_until", "enter until when the certificate must be kept"));
            }
            (certificate, day) => {
                let keep_until =
                    Day::parse(day).map_err(|error| Faults::one("keep_until", error.to_string()))?;
                Some(Exemption { certificate: certificate.to_owned(), keep_until })
            }
        };
        Ok(Terms { wholesale: self.is_wholesale, exemption, discount })
    }
}

#[derive(Template)]
#[template(path = "customers/one.html")]
pub(crate) struct Page {
    frame: Frame,
    id: String,
    /// Empty once they are erased.
    name: String,
    terms_words: String,
    /// When they were erased, and what has to be kept of a tax exemption.
    erased: Option<(String, String)>,
    revision: String,
    contact: ContactFields,
    terms: TermsFields,
    may_set_terms: bool,
    may_erase: bool,
    purchases: Vec<Purchase>,
    balances: Vec<Balance>,
    owed: String,
    holds: Vec<Linked>,
    custom_orders: Vec<Linked>,
    /// Of which something is left.
    deposits: Vec<Linked>,
    orders: Vec<Linked>,
    may_list: bool,
    faults: Faults,
}

fn hold_line(shop: &Shop, hold: &Hold) -> Linked {
    let titles: Vec<&str> = hold.lines.iter().map(|line| line.title.as_str()).collect();
    let until =
        hold.until.map_or("no end date".to_owned(), |until| format!("until {}", shop.zone.shown(until)));
    let first = hold.lines.first().map(|line| line.sku.clone()).unwrap_or_default();
    let path = form_urlencoded::byte_serialize(first.as_bytes()).collect::<String>();
    Linked {
        path: format!("/shelf/items/{}", path.replace('+', "%20")),
        name: titles.join(", "),
        about: until,
    }
}

async fn balances(ledger: &Ledger, id: CustomerId) -> Result<(Vec<Balance>, String), Problem> {
    let shop = ledger.shop();
    let today = shop.zone.day_of(ledger.now());
    let debts = ledger.debts_of(id).await?;
    let sum = Money::sum(debts.iter().map(|debt| debt.left), shop.currency);
    let rows = debts.into_iter().map(|debt| Balance {
        sale: debt.sale.to_string(),
        due: debt.due.shown(),
        left: debt.left.shown(),
        is_late: debt.due < today,
    });
    Ok((rows.collect(), sum.map(Money::shown).unwrap_or_default()))
}

async fn purchases(ledger: &Ledger, id: CustomerId) -> Result<Vec<Purchase>, Problem> {
    let shop = ledger.shop();
    let sales = ledger.sales_to(id, MOST_LISTED).await?;
    let purchase = |sale: ledger::keeping::CustomerSale| Purchase {
        sale: sale.id.to_string(),
        name: sale.receipt.map_or("Past sale".to_owned(), |receipt| format!("Receipt {receipt}")),
        about: format!(
            "{} · {}{}",
            shop.zone.shown(sale.at),
            channel_name(&shop, &sale.channel),
            if sale.voided { " · voided" } else { "" }
        ),
        paid: sale.paid.shown(),
    };
    Ok(sales.into_iter().map(purchase).collect())
}

async fn custom_orders(ledger: &Ledger, id: CustomerId) -> Result<Vec<Linked>, Problem> {
    let today = ledger.shop().zone.day_of(ledger.now());
    let orders = ledger.custom_orders_of(id).await?.into_iter().map(|order| {
        let caution = caution(&order, today);
        let caution = if caution.is_empty() { String::new() } else { format!(", {caution}") };
        Linked {
            path: format!("/counter/custom-orders/{}", order.id),
            about: format!("{}, due {}{caution}", state_words(order.state), order.due.shown()),
            name: order.about,
        }
    });
    Ok(orders.collect())
}

async fn deposits(ledger: &Ledger, id: CustomerId) -> Result<Vec<Linked>, Problem> {
    let deposits = ledger.deposits_of(id).await?.into_iter().map(|deposit| Linked {
        path: format!("/counter/deposits/{}", deposit.id),
        name: format!("{} left", deposit.balance.shown()),
        about: deposit.about,
    });
    Ok(deposits.collect())
}

impl Page {
    async fn of(app: &App, caller: &Caller, id: CustomerId) -> Result<Self, Problem> {
        let (ledger, shop) = (&app.ledger, app.ledger.shop());
        let customer = ledger.customer(id).await?;
        let (balances, owed) = balances(ledger, id).await?;
        let holds = ledger.holds_for(id).await?;
        let orders = ledger.orders_of(id).await?.into_iter().map(|order| Linked {
            path: format!("/online/orders/{}", order.id),
            name: format!("Order {}", order.number),
            about: shop.zone.shown(order.at),
        });
        Ok(Self {
            frame: Frame::new(app, caller, Room::Customers),
            id: id.to_string(),
            terms_words: in_words(&customer.terms),
            erased: erased(&shop, &customer),
            revision: customer.revision.to_string(),
            contact: ContactFields::saved(&customer.contact),
            terms: TermsFields::saved(&customer.terms),
            name: customer.contact.name,
            may_set_terms: caller.may(Permission::SetTerms),
            may_erase: caller.may(Permission::Privacy),
            purchases: purchases(ledger, id).await?,
            balances,
            owed,
            holds: holds.iter().map(|hold| hold_line(&shop, hold)).collect(),
            custom_orders: custom_orders(ledger, id).await?,
            deposits: deposits(ledger, id).await?,
            orders: orders.collect(),
            may_list: caller.may(Permission::List),
            faults: Faults::default(),
        })
    }
}

/// When the customer was erased, and what is kept nevertheless.
fn erased(shop: &Shop, customer: &CustomerView) -> Option<(String, String)> {
    let CustomerState::Erased { at, kept_name } = &customer.state else { return None };
    let kept = match (kept_name, &customer.terms.exemption) {
        (Some(name), Some(exemption)) => {
            format!("{name}, certificate {}, until {}", exemption.certificate, exemption.keep_until.shown())
        }
        _ => String::new(),
    };
    Some((shop.zone.shown(*at), kept))
}

/// GET /customers/{id}
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<CustomerId>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(Page::of(&app, &caller, id).await?))
}

fn revision(form: &Form) -> i64 {
    form.text("revision").parse().unwrap_or(0)
}

/// The page again, with what was typed in one of its forms.
async fn again(
    app: &App,
    form: &Form,
    id: CustomerId,
    problem: Problem,
    keep: impl FnOnce(Page, &Form) -> Page,
) -> Result<Response, Problem> {
    let (faults, revision) = Faults::of_edit(problem, "customer")?;
    let page = Page::of(app, &form.caller, id).await?;
    let revision = revision.unwrap_or_else(|| form.text("revision").to_owned());
    let page = keep(Page { revision, faults, ..page }, form);
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

/// POST /customers/{id}
pub(crate) async fn edit(
    State(app): State<App>,
    PathParam(id): PathParam<CustomerId>,
    form: Form,
) -> Result<Response, Problem> {
    let contact = ContactFields::typed(&form).contact();
    let (revision, who) = (revision(&form), form.caller.who.clone());
    match app.run(&form.key, &EditCustomer { customer: id, revision, contact, who }).await {
        Ok(_) => Ok(see_other(&format!("/customers/{id}"))),
        Err(problem) => {
            let typed = |page, form: &Form| Page { contact: ContactFields::typed(form), ..page };
            again(&app, &form, id, problem, typed).await
        }
    }
}

/// POST /customers/{id}/terms
pub(crate) async fn set_terms(
    State(app): State<App>,
    PathParam(id): PathParam<CustomerId>,
    form: Form,
) -> Result<Response, Problem> {
    let typed = |page, form: &Form| Page { terms: TermsFields::typed(form), ..page };
    let terms = match TermsFields::typed(&form).read() {
        Ok(terms) => terms,
        Err(faults) => {
            let page = typed(Page::of(&app, &form.caller, id).await?, &form);
            let page = Page { faults, ..page };
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response());
        }
    };
    let (revision, who) = (revision(&form), form.caller.who.clone());
    match app.run(&form.key, &SetTerms { customer: id, revision, terms, who }).await {
        Ok(_) => Ok(see_other(&format!("/customers/{id}"))),
        Err(problem) => again(&app, &form, id, problem, typed).await,
    }
}
