//! A rule as data: a statement, and how to report what it finds.

use super::{CheckReport, FINDINGS_OF_A_LAW, Finding, Law};
use crate::store::error::CommandError;
use domain::money::{Currency, Money};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// What a pair of numbers means.
#[derive(Clone, Copy)]
pub(super) enum Field {
    /// A plain number.
    Number(&'static str),
    /// An amount in minor units.
    Money(&'static str),
    /// An identifier; below 1 there is none.
    Id(&'static str),
    /// 1 for yes, 0 for no.
    Flag(&'static str),
}

/// `text` selects `id` and `name`, then `e1` (what should be) and `f1` (what is) for the first field,
/// `e2` and `f2` for the second, and so on, none of them NULL. A row violates the rule if a pair
/// differs.
#[derive(Clone, Copy)]
pub(super) struct Rule {
    pub(super) law: Law,
    /// What is wrong if the rule is violated.
    pub(super) what: &'static str,
    /// What `id` identifies.
    pub(super) record: &'static str,
    pub(super) fields: &'static [Field],
    pub(super) text: &'static str,
}

impl Rule {
    pub(super) async fn apply(
        &self,
        snapshot: &mut AnyConnection,
        currency: Currency,
        report: &mut CheckReport,
    ) -> Result<(), CommandError> {
        let most = i64::try_from(FINDINGS_OF_A_LAW).unwrap_or(i64::MAX);
        let rows =
            sqlx::query(AssertSqlSafe(self.broken_rows())).bind(most).fetch_all(&mut *snapshot).await?;
        let mut told = 0;
        for row in &rows {
            told += self.tell(row, currency, report)?;
        }
        if rows.len() == FINDINGS_OF_A_LAW {
            let count = sqlx::query(AssertSqlSafe(self.count())).fetch_one(snapshot).await?;
            report.add_more(self.law, count.try_get::<i64, _>("count")? - told);
        }
        Ok(())
    }

    fn broken_rows(&self) -> String {
        let pairs: Vec<String> = (1..=self.fields.len())
            .map(|n| format!("CAST(e{n} AS BIGINT) AS expected{n}, CAST(f{n} AS BIGINT) AS found{n}"))
            .collect();
        format!("SELECT id, name, {} {} ORDER BY id, name LIMIT $1", pairs.join(", "), self.broken())
    }

    fn count(&self) -> String {
        let ones: Vec<String> =
            (1..=self.fields.len()).map(|n| format!("CASE WHEN e{n} <> f{n} THEN 1 ELSE 0 END")).collect();
        format!("SELECT CAST(SUM({}) AS BIGINT) AS count {}", ones.join(" + "), self.broken())
    }

    fn broken(&self) -> String {
        let differ: Vec<String> = (1..=self.fields.len()).map(|n| format!("e{n} <> f{n}")).collect();
        format!("FROM ({}) AS seen WHERE {}", self.text, differ.join(" OR "))
    }

    /// Adds a finding for each pair of the row that differs; returns how many.
    fn tell(&self, row: &AnyRow, currency: Currency, report: &mut CheckReport) -> Result<i64, CommandError> {
        let id: i64 = row.try_get("id")?;
        let name: String = row.try_get("name")?;
        let place = match (id, name.is_empty()) {
            (_, true) => format!("{} {id}", self.record),
            (0, false) => format!("{} {name}", self.record),
            (_, false) => format!("{} {id} ({name})", self.record),
        };
        let mut told = 0;
        for (n, field) in (1..).zip(self.fields) {
            let expected: i64 = row.try_get(format!("expected{n}").as_str())?;
            let found: i64 = row.try_get(format!("found{n}").as_str())?;
            if expected == found {
                continue;
            }
            report.add(Finding {
                law: self.law,
                what: format!("{} ({})", self.what, field.name()),
                place: place.clone(),
                expected: field.shown(expected, currency),
                found: field.shown(found, currency),
            });
            told += 1;
        }
        Ok(told)
    }
}

impl Field {
    fn name(self) -> &'static str {
        match self {
            Self::Number(name) | Self::Money(name) | Self::Id(name) | Self::Flag(name) => name,
        }
    }

    fn shown(self, value: i64, currency: Currency) -> String {
        match self {
            Self::Id(_) if value < 1 => "none".to_owned(),
            Self::Number(_) | Self::Id(_) => value.to_string(),
            Self::Flag(_) => if value == 1 { "yes" } else { "no" }.to_owned(),
            // A damaged amount may be too large for money; it is reported anyway.
            Self::Money(_) => Money::from_minor(value, currency)
                .map_or_else(|_| format!("{value} minor units"), |money| money.to_string()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{
        rules_accounts, rules_counter, rules_customers, rules_goods, rules_limits, rules_live, rules_money,
        rules_orders,
    };
    use super::Rule;

    fn rules() -> Vec<Rule> {
        [
            rules_goods::RULES,
            rules_money::RULES,
            rules_accounts::RULES,
            rules_orders::RULES,
            rules_counter::RULES,
            rules_customers::RULES,
            rules_limits::RULES,
            rules_live::RULES,
        ]
        .concat()
    }

    /// A pair that a rule names but does not select would be an error only when it runs, and one that
    /// it selects but does not name would never be checked.
    #[test]
    fn every_rule_selects_the_pairs_that_it_names() {
        for rule in rules() {
            for n in 1..=rule.fields.len() {
                let (e, f) = (format!(" e{n}"), format!(" f{n}"));
                assert!(rule.text.contains(&e) && rule.text.contains(&f), "{}: pair {n}", rule.what);
            }
            let beyond = format!(" e{}", rule.fields.len() + 1);
            assert!(!rule.text.contains(&beyond), "{}: a pair without a name", rule.what);
        }
    }

    #[test]
    fn rules_keep_to_what_both_engines_read_alike() {
        for rule in rules() {
            for banned in ["/", "lower(", "LIKE", "GREATEST", "LEAST", "MAX(0", "IFNULL", "::"] {
                assert!(!rule.text.contains(banned), "{}: {banned}", rule.what);
            }
        }
    }
}
