//! Law 3 for the books: day totals equal their entries, in the shop's time zone.

use super::{CheckReport, Finding, Law};
use crate::books::{SUMS, figures_from};
use crate::keeping::day_sums::{Days, sum_by_day};
use crate::store::error::{CommandError, Stored};
use crate::store::settings::Shop;
use crate::store::storage_error::StorageError;
use domain::channel::Channel;
use domain::day::Day;
use domain::money::Money;
use domain::revenue::Figures;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

pub(super) const WHAT: &str = "the day's totals differ from the sales and refunds of the day";

pub(super) async fn check(
    snapshot: &mut AnyConnection,
    shop: &Shop,
    report: &mut CheckReport,
) -> Result<(), CommandError> {
    let expected = match sum_by_day(snapshot, shop).await {
        // An impossible value is what a check should find, and no reason to stop.
        Err(CommandError::Storage(StorageError::Impossible { what })) => {
            report.add(Finding {
                law: Law::LedgerAddsUp,
                what: "the sales and refunds cannot be summed".to_owned(),
                place: "books".to_owned(),
                expected: "values that can be".to_owned(),
                found: what,
            });
            return Ok(());
        }
        other => other?,
    };
    let found = kept(snapshot, shop, report).await?;
    let none = Figures::none(shop.currency);
    let mut days: Vec<&(Day, Channel)> = expected.keys().chain(found.keys()).collect();
    days.sort();
    days.dedup();
    for day in days {
        let expected = expected.get(day).unwrap_or(&none);
        let found = found.get(day).unwrap_or(&none);
        compare(day, expected, found, report);
    }
    Ok(())
}

/// The stored totals: one row per day and channel, few enough to fit into memory.
async fn kept(
    snapshot: &mut AnyConnection,
    shop: &Shop,
    report: &mut CheckReport,
) -> Result<Days, CommandError> {
    let text =
        format!("SELECT day, channel, MAX(month) AS month, {SUMS} FROM day_total GROUP BY day, channel");
    let mut found = Days::new();
    for row in sqlx::query(AssertSqlSafe(text)).fetch_all(snapshot).await? {
        let day = Day::from_number(row.try_get("day")?);
        let channel = Channel::parse(&row.try_get::<String, _>("channel")?).stored("day_total.channel")?;
        let month: i64 = row.try_get("month")?;
        if month != day.month().number() {
            add(&(day, channel.clone()), "month", &day.month().number(), &month, report);
        }
        found.insert((day, channel), figures_from(&row, shop.currency)?);
    }
    Ok(found)
}

fn compare(day: &(Day, Channel), expected: &Figures, found: &Figures, report: &mut CheckReport) {
    let numbers = |f: &Figures| {
        [
            ("sales", i128::from(f.sales)),
            ("units", i128::from(f.units)),
            ("weight", f.weight),
            ("uncosted", i128::from(f.uncosted)),
        ]
    };
    let amounts = |f: &Figures| -> [(&str, Money); 9] {
        [
            ("gross", f.gross),
            ("discounts", f.discounts),
            ("refunds", f.refunds),
            ("shipping", f.shipping),
            ("tax", f.tax),
            ("fees", f.fees),
            ("postage", f.postage),
            ("cost", f.cost),
            ("rounding", f.rounding),
        ]
    };
    for ((name, expected), (_, found)) in numbers(expected).iter().zip(numbers(found)) {
        if *expected != found {
            add(day, name, expected, &found, report);
        }
    }
    for ((name, expected), (_, found)) in amounts(expected).iter().zip(amounts(found)) {
        if *expected != found {
            add(day, name, expected, &found, report);
        }
    }
}

fn add(
    (day, channel): &(Day, Channel),
    name: &str,
    expected: &impl ToString,
    found: &impl ToString,
    report: &mut CheckReport,
) {
    report.add(Finding {
        law: Law::LedgerAddsUp,
        what: format!("{WHAT} ({name})"),
        place: format!("{day} on {channel}"),
        expected: expected.to_string(),
        found: found.to_string(),
    });
}
