//! An order as it would be taken in, for somebody to check before they trust a connection.

use domain::day::Zone;
use domain::money::Money;
use domain::order::{IncomingLine, IncomingOrder, LinePrice, Refunded, Standing};

/// The most lines of an order that are shown.
const SHOWN_LINES: usize = 10;

/// What an order says, as we read it.
pub(super) fn words(order: &IncomingOrder, zone: &Zone) -> String {
    let becomes = match order.status.standing() {
        Standing::Unpaid => "unpaid, so its stock goes on hold",
        Standing::Sold => "sold",
        Standing::Undone => "canceled, so what is left of it is refunded",
    };
    let mut words = format!(
        "Order {}, placed {} ({}), status {}: {becomes}",
        order.number,
        zone.shown(order.ordered),
        zone.name(),
        order.status
    );
    if let Some(modified) = order.modified {
        words = format!("{words}; updated {}", zone.shown(modified));
    }
    for line in order.lines.iter().take(SHOWN_LINES) {
        words = format!("{words}; {}", of_line(line));
    }
    if order.lines.len() > SHOWN_LINES {
        words = format!("{words}; and {} more lines", order.lines.len() - SHOWN_LINES);
    }
    for (name, money) in [("discount", order.discount), ("shipping", order.shipping), ("fee", order.fee)] {
        words = with(words, name, money);
    }
    for refund in &order.refunds {
        let what = refund.code.as_ref().map_or(refund.name.as_str(), |code| code.as_str());
        let back = match refund.what {
            Refunded::Goods(quantity) => format!("{} of {what} returned", quantity.value),
            Refunded::Money(money) => {
                let of = if what.is_empty() { "the order" } else { what };
                format!("{money} {} given back for {of}, no goods", money.currency().code())
            }
        };
        words = format!("{words}; refund {}: {back}", refund.number);
    }
    words
}

fn of_line(line: &IncomingLine) -> String {
    let what = line.code.as_ref().map_or(line.name.as_str(), |code| code.as_str());
    let unit = line
        .quantity
        .unit
        .map_or(String::new(), |unit| format!(" {} (if it is sold by weight)", unit.symbol()));
    let price = match line.price {
        LinePrice::Each(money) => format!("{} each", money.shown()),
        LinePrice::Line(money) => format!("{} for the line", money.shown()),
    };
    let words = format!("{}{unit} × {what} at {price}", line.quantity.value);
    with(with(words, "discount", line.discount), "sales tax", line.tax)
}

fn with(words: String, name: &str, money: Money) -> String {
    if money.is_zero() { words } else { format!("{words}, {name} {}", money.shown()) }
}
