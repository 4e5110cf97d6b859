//! The connection's text, as somebody would write it for the pretend shop.

use crate::plan::{Poll, Shape};
use std::fmt::Write;

/// Its name, and the names of its secrets.
pub(crate) const NAME: &str = "village";
pub(crate) const HOOK: &str = "village-hook";
/// What the shop's own secrets are.
pub(crate) const SECRET: &str = "hedge-and-hook";
pub(crate) const HOOK_SECRET: &str = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw";

const ORDERS: &str = r#"layout = '''
feed = "orders"
format = "json"
each = "/bought"
lines = "/lines"
[field.orderNumber]
from = "/ref"
[field.orderDate]
from = "/placed"
[field.dateModified]
from = "/changed"
[field.orderStatus]
from = "/state"
[field.shipping]
from = "/postage"
[field."customer.name"]
from = "/buyer/name"
[field.sku]
from = "/code"
[field.orderQuantity]
from = "/count"
[field.price]
from = "/each"
[field.refundNumber]
from = "/back"
'''
"#;

const LISTED: &str = r#"
[listed]
from = "/intake?page={page}"
next = "page"
every = "6h"
layout = '''
feed = "listings"
format = "json"
each = "/listings"
ignore = ["ref", "unit"]
[field.sku]
from = "/sku"
[field.name]
from = "/name"
[field."offers.price"]
from = "/price"
[field."offers.priceCurrency"]
from = "/currency"
[field."offers.availability"]
from = "/availability"
[field.inventoryLevel]
from = "/count"
[field.revision]
from = "/revision"
'''
"#;

/// The text of a connection of this shape to the shop at `base`.
pub(crate) fn text(shape: &Shape, base: &str) -> String {
    let mut text = format!("channel = \"online\"\nbase = \"{base}\"\nprivate = true\nper_second = 10000\n");
    if shape.secret {
        text.push_str("[secret]\nname = \"village\"\nas = \"bearer\"\n");
    }
    let message = if shape.stock_alone { "stock" } else { "listing" };
    let pieces = if shape.lists_new_pieces { "list" } else { "wait" };
    // Writing to a text cannot fail.
    let _ = write!(
        text,
        "[out]\nmessage = \"{message}\"\nmethod = \"PUT\"\nto = \"/intake/{{sku}}\"\nnew_pieces = \"{pieces}\"\n"
    );
    if shape.new {
        text.push_str("new = { method = \"POST\", to = \"/intake\", id = \"/ref\" }\n");
    }
    if shape.end {
        text.push_str("end = { method = \"DELETE\", to = \"/intake/{sku}?revision={revision}\" }\n");
    }
    if shape.batch {
        text.push_str(
            "batch = { to = \"/intake/batch\", method = \"POST\", at_once = 20, each = \"/listings\" }\n",
        );
    }
    match shape.poll {
        Poll::Since => text.push_str("[orders]\nfrom = \"/bought?since={since}\"\nnext = \"link\"\n"),
        Poll::Numbers => {
            text.push_str("[orders]\nfrom = \"/bought?since={since}&page={page}\"\nnext = \"page\"\n");
        }
        Poll::Places => {
            text.push_str(
                "[orders]\nfrom = \"/bought?since={since}&from={cursor}\"\nnext = \"cursor\"\ncursor_at = \"/next\"\n",
            );
        }
        Poll::Mark => {
            text.push_str(
                "[orders]\nfrom = \"/bought?after={cursor}\"\nnext = \"cursor\"\ncursor_at = \"/next\"\n",
            );
        }
    }
    let _ = write!(text, "every = \"30s\"\noverlap = \"{}m\"\n", shape.overlap);
    if shape.one {
        text.push_str("one = \"/bought/{orderNumber}\"\n");
    }
    text.push_str(ORDERS);
    if shape.hooks {
        let _ = write!(text, "[hooks]\nsecret = [\"{HOOK}\"]\nsigned = \"standard\"\ntolerance = \"5m\"\n");
    }
    if shape.listed {
        text.push_str(LISTED);
    }
    text
}
