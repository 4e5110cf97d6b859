//! The connection's text: as somebody would write it for the pretend shop, or the file of another shop.

use crate::plan::{Plan, Poll, Shape};
use crate::shops::ShopKind;
use std::fmt::Write;

/// Its name, and the names of its secrets.
pub(crate) const NAME: &str = "village";
const HOOK: &str = "village-hook";
pub(crate) const SECRET: &str = "hedge-and-hook";
/// A user name with a password.
pub(crate) const USER_SECRET: &str = "farm:hedge-and-hook";
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

const ROOMS: &str = include_str!("../shops/rooms.toml");
const LOTS: &str = include_str!("../shops/lots.toml");
const PLATES: &str = include_str!("../shops/plates.toml");

/// The text that connects the plan's shop at `base`.
pub(crate) fn text(plan: &Plan, base: &str) -> String {
    match plan.shop {
        ShopKind::Pretend => for_pretend(&plan.shape, base),
        ShopKind::Rooms => of_file(ROOMS, &plan.shape, base),
        ShopKind::Lots => of_file(LOTS, &plan.shape, base),
        ShopKind::Plates => of_file(PLATES, &plan.shape, base),
    }
}

/// The name of the secret that it sends.
pub(crate) fn secret_name(shop: ShopKind) -> &'static str {
    match shop {
        ShopKind::Pretend => NAME,
        shop => shop.name(),
    }
}

/// The name of the secret that its webhooks are signed with.
pub(crate) fn hook_name(shop: ShopKind) -> &'static str {
    if shop == ShopKind::Plates { "plates-hook" } else { HOOK }
}

/// A file's text with the shop's real address on this machine, whose clock stands still during a round, and
/// with the optional keys as drawn.
fn of_file(file: &'static str, shape: &Shape, base: &str) -> String {
    let line = |line: &str| match line {
        line if line.starts_with("base = ") => Some(format!("base = \"{base}\"\nprivate = true")),
        line if line.starts_with("token = ") => Some(format!("token = \"{base}/pass\"")),
        line if line.starts_with("per_second = ") => Some("per_second = 10000".to_owned()),
        "overlap = \"10m\"" => Some(format!("overlap = \"{}m\"", shape.overlap)),
        "new_pieces = \"list\"" if !shape.lists_new_pieces => Some("new_pieces = \"wait\"".to_owned()),
        line if line.starts_with("one = ") && !shape.one => None,
        line => Some(line.to_owned()),
    };
    let cut = |file: &'static str, table: &str, stays: bool| {
        if stays { file } else { file.split(table).next().unwrap_or(file) }
    };
    let file = cut(cut(file, "\n[hooks]\n", shape.hooks), "\n[listed]\n", shape.listed);
    file.lines().filter_map(line).map(|line| line + "\n").collect()
}

fn for_pretend(shape: &Shape, base: &str) -> String {
    let mut text = format!("channel = \"online\"\nbase = \"{base}\"\nprivate = true\nper_second = 10000\n");
    if shape.secret {
        text.push_str("[secret]\nname = \"village\"\nas = \"bearer\"\n");
    }
    let message = if shape.stock_alone { "stock" } else { "listing" };
    let pieces = if shape.lists_new_pieces { "list" } else { "wait" };
    // Writing to a String cannot fail.
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_file_can_be_connected_as_it_is() {
        for (name, file) in [("rooms", ROOMS), ("lots", LOTS), ("plates", PLATES)] {
            let checked = sync::connections::check_connection(file);
            assert!(checked.is_ok(), "{name}: {}", checked.err().map(|e| e.to_string()).unwrap_or_default());
        }
    }
}
