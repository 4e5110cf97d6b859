//! What the description says about a value beyond its type: its form, allowed words and limits; and whether an
//! endpoint requires authentication.
//!
//! One table for the whole API, by field name: a name means the same everywhere, and a name with a meaning of
//! its own in one body is listed with that body. The lists of words come from the domain.

use crate::request::caller::Access;
use crate::request::query::{DEFAULT_ROWS, MAX_ROWS};
use crate::request::route::Route;
use domain::account::AccountReason;
use domain::basket::{LineKind, MAX_LINES, MAX_TENDERS, TenderKind};
use domain::channel::MAX_CHANNEL_CHARS;
use domain::codes::MAX_CODE_CHARS;
use domain::custom_order::CustomOrderState;
use domain::customer::{MAX_EMAIL_CHARS, MAX_PHONE_CHARS};
use domain::order::OrderStatus;
use domain::stock::{Availability, ItemKind, ReturnDisposition, StockReason};
use domain::text::{MAX_NAME_CHARS, MAX_NOTE_CHARS};
use domain::weight::WeightUnit;
use ledger::orders::SettledStatus;
use ledger::shelf::{MAX_ITEMS_AT_ONCE, Purpose};
use serde_json::{Value, json};

const DECIMAL: &str = r"^[-+]?[0-9]+(\.[0-9]+)?$";
const WHOLE: &str = "^-?[0-9]{1,19}$";
const ID: &str = "^[0-9]{1,19}$";
const DAY: &str = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$";
const MONTH: &str = "^[0-9]{4}-[0-9]{2}$";
/// RFC 3339, a local time, or a day.
const MOMENT: &str = r"^\s*[0-9]{4}-[0-9]{2}-[0-9]{2}([Tt ][0-9:]+([.,][0-9]+)?([Zz]|[-+][0-9:]+)?)?\s*$";
const ENDING: &str = r"^\s*(exact|five|whole|[-+]?[0-9]+(\.[0-9]+)?)\s*$";
const GTIN: &str = r"^\s*([0-9]{8}|[0-9]{12,14})\s*$";
/// An RFC 8941 string, or a bare key.
const KEY: &str = r#"^("([ !#-\[\]-~]|\\["\\])+"|[!#-~]([ !#-~]*[!#-~])?)$"#;
/// A limit may also be none, or go back to its default.
const LIMIT_COUNT: &str = r"^\s*(none|default|[0-9]{1,6})\s*$";
const LIMIT_PERCENT: &str = r"^\s*(none|default|[0-9]{1,3}(\.[0-9]{1,2})?)\s*$";
const LIMIT_AMOUNT: &str = r"^\s*(none|default|[0-9]+(\.[0-9]+)?)\s*$";
const LIMIT_CHANNELS: &str = r"^\s*[a-z][a-z0-9-]*(\s*,\s*[a-z][a-z0-9-]*)*\s*$";
/// A default discount, or nothing to end it.
const PERCENT_OR_NONE: &str = r"^\s*([0-9]{1,3}(\.[0-9]{1,2})?\s*%?)?\s*$";
/// The longest number: 28 digits and a point, or a sign.
const DECIMAL_CHARS: usize = 29;

/// What a text must look like.
enum Form {
    /// Matches this pattern, with at most this many characters.
    Pattern(&'static str, usize),
    /// A moment, in an answer.
    Stamp,
    /// One of these words.
    Words(Vec<&'static str>),
    /// Any text with a length in this range, in characters.
    Text(usize, usize),
}

use Form::{Pattern, Stamp, Text, Words};

fn decimal() -> Form {
    Pattern(DECIMAL, DECIMAL_CHARS)
}

fn channel() -> Form {
    Pattern("^[a-z][a-z0-9-]*$", MAX_CHANNEL_CHARS)
}

fn fates() -> Vec<&'static str> {
    [ReturnDisposition::Shelf, ReturnDisposition::WrittenOff, ReturnDisposition::Open]
        .map(ReturnDisposition::code)
        .to_vec()
}

/// The form of a field that only one schema has.
fn own(schema: &str, field: &str) -> Option<Form> {
    let kinds = || [ItemKind::Piece, ItemKind::Counted, ItemKind::Weight].map(ItemKind::code).to_vec();
    let lines =
        || [LineKind::Goods, LineKind::GiftCertificate, LineKind::Deposit].map(LineKind::code).to_vec();
    let losses = || StockReason::ALL.into_iter().filter(|why| why.is_loss()).map(StockReason::code).collect();
    Some(match (schema, field) {
        ("ItemShown" | "ItemText" | "ShelfRowShown", "kind") => Words(kinds()),
        ("SaleLineText" | "LineShown" | "SoldLineShown", "kind") => Words(lines()),
        ("TenderText" | "PartText" | "PaymentText", "kind")
        | ("RefundText", "tender")
        | ("ExchangeText", "rest")
        | ("ShopShown", "tenders") => Words(TenderKind::of_people().map(TenderKind::code).collect()),
        ("TenderShown" | "GivenShown", "kind") => Words(TenderKind::ALL.map(TenderKind::code).to_vec()),
        ("StatusText", "orderStatus") => {
            Words([SettledStatus::Paid, SettledStatus::Canceled].map(|one| one.status().code()).to_vec())
        }
        ("FateText", "fate") => {
            Words(vec![ReturnDisposition::Shelf.code(), ReturnDisposition::WrittenOff.code()])
        }
        ("CertificateChange", "why") => Words(AccountReason::ALL.map(AccountReason::code).to_vec()),
        ("CustomOrderShown", "state") => Words(CustomOrderState::ALL.map(CustomOrderState::code).to_vec()),
        ("StockText", "why") => Words(losses()),
        ("MoveShown", "why") => Words(StockReason::ALL.map(StockReason::code).to_vec()),
        ("HoldText", "for") => {
            Words([Purpose::Basket, Purpose::Customer, Purpose::Market].map(Purpose::code).to_vec())
        }
        ("HoldShown", "for") => {
            let all = [Purpose::Basket, Purpose::Customer, Purpose::Market, Purpose::Order];
            Words(all.map(Purpose::code).to_vec())
        }
        ("LimitsText" | "LimitsShown", "channels") => Pattern(LIMIT_CHANNELS, MAX_NOTE_CHARS),
        ("LimitsText" | "LimitsShown", "discount") => Pattern(LIMIT_PERCENT, 20),
        ("LimitsText" | "LimitsShown", "backdateDays" | "openHolds" | "holdDays") => Pattern(LIMIT_COUNT, 20),
        ("LimitsText" | "LimitsShown", "refund") => Pattern(LIMIT_AMOUNT, DECIMAL_CHARS),
        ("LimitsText", "taxByHand" | "refundTender") => Words(vec!["yes", "no", "none", "default"]),
        ("LimitsShown", "taxByHand" | "refundTender") => Words(vec!["yes", "no"]),
        ("EditText", "pricedBy") => Words(vec!["rule"]),
        ("ItemShown", "pricedBy") => Words(vec!["rule", "hand"]),
        ("HoldText" | "SaleText", "until" | "at") => Pattern(MOMENT, 40),
        ("ReleaseBody" | "RemovalText" | "CancelText" | "ForfeitText", "reason") => Text(1, MAX_NAME_CHARS),
        ("ReasonBody" | "SubstituteBody" | "StatusText" | "EditText", "reason")
        | ("EditText" | "CustomOrderText", "style")
        | ("CustomerShown" | "SaleCustomerShown", "name")
        | ("HoldText" | "HoldShown", "forWhom") => Text(0, MAX_NAME_CHARS),
        ("WeightText", "value") => decimal(),
        ("TermsText", "defaultDiscount") => Pattern(PERCENT_OR_NONE, 20),
        ("TermsText", "keepUntil") => Pattern(DAY, 10),
        _ => return None,
    })
}

/// The form of a field with this name, in any schema.
fn everywhere(field: &str) -> Option<Form> {
    Some(match field {
        "amount" | "price" | "discount" | "tax" | "shipping" | "rounding" | "extras" | "cost" | "minimum"
        | "rate" | "quantity" | "count" | "more" | "less" | "onHand" | "held" | "free" | "sold"
        | "byWeight" | "ended" | "lowestPrice" | "highestPrice" | "gross" | "net" | "fees" | "postage"
        | "defaultDiscount" | "margin" | "ounces" | "tendered" | "change" | "stillOwed"
        | "inventoryLevel" | "given" | "balance" | "owed" | "left" | "estimate" | "deposits" => decimal(),
        "id" | "sale" | "hold" | "line" | "customerId" | "customOrder" | "deposit" => Pattern(ID, 19),
        "email" => Text(0, MAX_EMAIL_CHARS),
        "telephone" => Text(0, MAX_PHONE_CHARS),
        "revision" => Pattern(WHOLE, 20),
        "due" | "day" | "keepUntil" => Pattern(DAY, 10),
        "month" => Pattern(MONTH, 7),
        "at" | "until" | "erasedAt" | "orderDate" | "issued" | "lastContact" | "quietUntil" | "troubleAt" => {
            Stamp
        }
        "unitCode" => Words(WeightUnit::ALL.map(WeightUnit::code).to_vec()),
        "channel" => channel(),
        "fate" => Words(fates()),
        "availability" => {
            use Availability::{Discontinued, InStock, Reserved, SoldOut};
            Words([InStock, Reserved, SoldOut, Discontinued].map(Availability::code).to_vec())
        }
        "orderStatus" => {
            let unknown = [OrderStatus::Unknown];
            Words(OrderStatus::ALL.into_iter().chain(unknown).map(OrderStatus::code).collect())
        }
        "ending" => Pattern(ENDING, 40),
        "gtin13" => Pattern(GTIN, 40),
        "sku" | "inStoreCode" => Text(1, MAX_CODE_CHARS),
        "name" | "title" | "style" | "sizes" => Text(1, MAX_NAME_CHARS),
        "brand" | "holder" | "color" | "size" | "material" | "category" | "care" | "customer"
        | "certificate" => Text(0, MAX_NAME_CHARS),
        "note" | "reason" | "description" | "image" => Text(0, MAX_NOTE_CHARS),
        _ => return None,
    })
}

/// The smallest and largest number of members in a list.
fn counts(schema: &str, field: &str) -> Option<(usize, usize)> {
    Some(match (schema, field) {
        ("SaleText" | "HoldText" | "ExchangeText", "lines") => (1, MAX_LINES),
        ("RefundText", "lines") => (0, MAX_LINES),
        ("SaleText" | "RefundText", "tenders") => (0, MAX_TENDERS),
        ("ItemsText", "items") | ("StylesText", "styles") => (1, MAX_ITEMS_AT_ONCE),
        _ => return None,
    })
}

/// The form of a part of an address, or of a header.
fn of_parameter(name: &str) -> Option<Value> {
    let pattern =
        |pattern: &str, most: usize| json!({"type": "string", "pattern": pattern, "maxLength": most});
    let text = |most: usize| json!({"type": "string", "minLength": 1, "maxLength": most});
    Some(match name {
        "limit" => json!({"type": "integer", "minimum": 1, "maximum": MAX_ROWS, "default": DEFAULT_ROWS}),
        "cursor" | "id" | "line" | "tender" | "number" => pattern(ID, 19),
        "code" => text(MAX_CODE_CHARS),
        "name" => text(MAX_NAME_CHARS),
        "role" => json!({"type": "string", "enum": ["counter", "maker"]}),
        "q" => json!({"type": "string", "maxLength": MAX_NAME_CHARS}),
        "by" => pattern("^(day|month|channel)(,(day|month|channel))*$", 200),
        "from" | "to" => pattern(MONTH, 7),
        "sold-out" | "short" | "dry-run" => json!({"type": "string", "enum": ["", "true", "false"]}),
        "If-Match" => json!({"type": "string", "pattern": r#"^"[!#-~]+"$"#, "maxLength": 100}),
        "Idempotency-Key" => pattern(KEY, 257),
        _ => return None,
    })
}

/// Adds all of this to a document that only has types.
pub(super) fn refine(document: &mut Value, routes: &[Route]) {
    let schemas = document.pointer_mut("/components/schemas").and_then(Value::as_object_mut);
    for (name, schema) in schemas.into_iter().flatten() {
        refine_schema(name, schema);
    }
    for route in routes {
        let method = route.method.as_str().to_lowercase();
        let Some(operation) = document["paths"].get_mut(route.path).and_then(|path| path.get_mut(&method))
        else {
            continue;
        };
        if route.access != Access::Public {
            operation["security"] = json!([{"token": []}]);
        }
        for parameter in operation.get_mut("parameters").and_then(Value::as_array_mut).into_iter().flatten() {
            let refined = parameter["name"].as_str().and_then(of_parameter);
            if let Some(schema) = refined {
                parameter["schema"] = schema;
            }
        }
        if route.path == super::feeds::orders::PATH {
            let feed = json!({"type": ["object", "array"], "description": "One order, or a list of orders."});
            operation["requestBody"]["content"]["application/json"]["schema"] = feed;
        }
    }
}

fn refine_schema(name: &str, schema: &mut Value) {
    // A schema that includes another one has its own fields in one of its parts.
    for part in schema.get_mut("allOf").and_then(Value::as_array_mut).into_iter().flatten() {
        refine_schema(name, part);
    }
    let Some(fields) = schema.get_mut("properties").and_then(Value::as_object_mut) else { return };
    for (field, schema) in fields {
        if let (Some((least, most)), true) = (counts(name, field), schema.is_object()) {
            schema["minItems"] = json!(least);
            schema["maxItems"] = json!(most);
        }
        let Some(form) = own(name, field).or_else(|| everywhere(field).filter(|_| !is_problem(name))) else {
            continue;
        };
        match schema.get_mut("items").filter(|items| items.is_object()) {
            Some(items) => say(items, &form),
            None => say(schema, &form),
        }
    }
}

/// A problem's members are described by the kind of problem.
fn is_problem(schema: &str) -> bool {
    matches!(schema, "ProblemDocument" | "Fault" | "ProblemItem" | "SoldDocument")
}

/// Adds what a text must look like; does nothing for other types.
fn say(schema: &mut Value, form: &Form) {
    let is_null = |kind: &Value| kind.as_array().is_some_and(|all| all.iter().any(|one| one == "null"));
    let kind = schema["type"].clone();
    let is_text =
        kind == "string" || kind.as_array().is_some_and(|all| all.iter().any(|one| one == "string"));
    if !is_text {
        return;
    }
    match form {
        Pattern(pattern, most) => {
            schema["pattern"] = json!(pattern);
            schema["maxLength"] = json!(most);
        }
        Stamp => schema["format"] = json!("date-time"),
        Words(words) => {
            let mut words: Vec<Value> = words.iter().map(|word| json!(word)).collect();
            if is_null(&kind) {
                words.push(Value::Null);
            }
            schema["enum"] = Value::Array(words);
        }
        Text(least, most) => {
            schema["maxLength"] = json!(most);
            if *least > 0 {
                schema["minLength"] = json!(least);
            }
        }
    }
}
