//! Invented goods and orders, the same each time.

use crate::trouble::{BenchError, Trying};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

/// Days over which orders are spread: the same number in a shop with few sales as in one with many.
const DAYS: u32 = 250;
/// The first order's year, a leap year, and its months.
const YEAR: u32 = 2024;
const MONTHS: [u32; 12] = [31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
/// Lines of each order.
pub(crate) const LINES_AN_ORDER: u32 = 10;

const STYLES: [&str; 6] =
    ["Ridge beanie", "Moor cowl", "Fell mitten", "Beck scarf", "Gill shawl", "Tarn headband"];
const COLORS: [&str; 8] = ["peat", "heather", "bracken", "slate", "cream", "rust", "moss", "rowan"];
const SIZES: [&str; 4] = ["S", "M", "L", "XL"];

/// The SKU of the `number`th item. Seven digits: no GS1 number has that length.
pub(crate) fn sku(number: u32) -> String {
    (FIRST_SKU + u64::from(number)).to_string()
}
pub(crate) const FIRST_SKU: u64 = 1_000_000;

/// Well-mixed bits of a number (the finaliser of `SplitMix64`), so that neighbors differ.
fn mixed(number: u32) -> u64 {
    let mut bits = u64::from(number).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    bits ^ (bits >> 31)
}

fn pick<'a>(words: &[&'a str], bits: u64) -> &'a str {
    // The remainder is below the number of words.
    words[usize::try_from(bits % words.len() as u64).unwrap_or(0)]
}

fn name(bits: u64) -> String {
    format!("{}, {}", pick(&STYLES, bits), pick(&COLORS, bits >> 8))
}

/// A price between 12.00 and 91.99, as text.
fn price(bits: u64) -> String {
    format!("{}.{:02}", 12 + (bits >> 16) % 80, (bits >> 24) % 100)
}

/// A file of pieces for `add items`: `count` of them from number `first`. Another `edition` has other prices.
pub(crate) fn write_items(path: &Path, first: u32, count: u32, edition: u32) -> Result<(), BenchError> {
    let what = "writing an items file";
    let mut out = BufWriter::new(File::create(path).trying(what)?);
    writeln!(
        out,
        "name,kind,sku,color,size,material,weight.value,weight.unitCode,offers.price,cost,description"
    )
    .trying(what)?;
    for number in first..first + count {
        let bits = mixed(number);
        writeln!(
            out,
            "\"{}\",piece,{},{},{},80% alpaca / 20% wool,{}.{:02},ONZ,{},9.50,Knitted by hand on the farm; number {number}",
            name(bits),
            sku(number),
            pick(&COLORS, bits >> 8),
            pick(&SIZES, bits >> 32),
            2 + (bits >> 40) % 6,
            (bits >> 48) % 100,
            price(bits ^ (u64::from(edition) << 24)),
        )
        .trying(what)?;
    }
    out.flush().trying(what)
}

/// A file of past orders for `feed in --past`, of [`LINES_AN_ORDER`] lines each, in the order of their days,
/// alternating between two channels.
pub(crate) fn write_orders(path: &Path, orders: u32) -> Result<(), BenchError> {
    write_past(path, orders, LINES_AN_ORDER)
}

/// The same with one line per order: as many sales as lines.
pub(crate) fn write_sales(path: &Path, sales: u32) -> Result<(), BenchError> {
    write_past(path, sales, 1)
}

fn write_past(path: &Path, orders: u32, lines: u32) -> Result<(), BenchError> {
    let what = "writing an orders file";
    let mut out = BufWriter::new(File::create(path).trying(what)?);
    writeln!(out, "orderNumber,orderDate,sku,name,orderQuantity,price,discount,shipping,tax,channel")
        .trying(what)?;
    for order in 0..orders {
        let day = u64::from(order) * u64::from(DAYS) / u64::from(orders);
        let date = date(u32::try_from(day).unwrap_or(0), mixed(order));
        let channel = if order % 2 == 0 { "online" } else { "market" };
        for line in 0..lines {
            let bits = mixed(order * lines + line);
            let shipping = if line == 0 && order % 3 == 0 { "6.95" } else { "" };
            let discount = if bits.is_multiple_of(10) { "1.50" } else { "" };
            writeln!(
                out,
                "P-{order:07},{date},H{order:07}{line},\"{}\",{},{},{discount},{shipping},,{channel}",
                name(bits),
                1 + (bits >> 33) % 3,
                price(bits),
            )
            .trying(what)?;
        }
    }
    out.flush().trying(what)
}

fn date(day: u32, bits: u64) -> String {
    let mut left = day;
    let mut month = 0;
    while left >= MONTHS[month] {
        left -= MONTHS[month];
        month += 1;
    }
    let (hour, minute, second) = (8 + bits % 12, (bits >> 8) % 60, (bits >> 16) % 60);
    format!("{YEAR}-{:02}-{:02}T{hour:02}:{minute:02}:{second:02}Z", month + 1, left + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_of_a_leap_year() {
        let check = |day: u32, expected: &str| assert_eq!(date(day, 0), expected);
        check(0, "2024-01-01T08:00:00Z");
        check(31, "2024-02-01T08:00:00Z");
        check(59, "2024-02-29T08:00:00Z");
        check(60, "2024-03-01T08:00:00Z");
        check(DAYS - 1, "2024-09-06T08:00:00Z");
    }
}
