//! The text that a search looks at, folded by the program.

use crate::shelf::item_columns;
use crate::shelf::items::stored_weight;
use crate::store::Ledger;
use crate::store::error::CommandError;
use domain::item::{ItemText, TextField};
use domain::text::fold;
use domain::weight::Weight;
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// Stands before each word of a color, so that `fern` as a color is not the `fern` in a name.
pub(crate) const COLOR_MARK: char = '#';
/// Stand around a size, so that `L` is not the `l` in a word.
pub(crate) const SIZE_MARKS: [char; 2] = ['[', ']'];
/// Items that are folded in one transaction.
const AT_ONCE: i64 = 500;

/// An item's text in the form in which a search looks for it: name, colors, size, and whatever else is said
/// in few words. Never empty.
pub(crate) fn folded(item: &ItemText) -> String {
    let mut text = fold(&item.name);
    text.push('\n');
    for word in color_words(&item.color) {
        text.push(COLOR_MARK);
        text.push_str(&word);
        text.push(' ');
    }
    text.push_str(&size_mark(&item.size));
    // A description is too long to look through for each search.
    let has_its_place = |field| {
        matches!(field, TextField::Name | TextField::Color | TextField::Size | TextField::Description)
    };
    for (_, others) in item.fields().filter(|(field, text)| !has_its_place(*field) && !text.is_empty()) {
        text.push_str(&fold(others));
        text.push('\n');
    }
    text
}

/// The folded words in a color's name.
pub(crate) fn color_words(color: &str) -> Vec<String> {
    let folded = fold(color);
    folded.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).map(str::to_owned).collect()
}

/// A size between its marks.
pub(crate) fn size_mark(size: &str) -> String {
    format!("{}{}{}", SIZE_MARKS[0], fold(size.trim()), SIZE_MARKS[1])
}

/// What weights are compared by; none for items without a weight.
pub(crate) fn mass(weight: Option<Weight>) -> i64 {
    weight.map_or(0, Weight::mass)
}

impl Ledger {
    /// Folds the items that an earlier schema step left to the program.
    pub(crate) async fn fold_items(&self) -> Result<(), CommandError> {
        while self.fold_some().await? > 0 {}
        Ok(())
    }

    async fn fold_some(&self) -> Result<usize, CommandError> {
        let mut reader = self.reader().await?;
        let found = "SELECT id FROM item WHERE folded = '' LIMIT 1";
        if sqlx::query(found).fetch_optional(&mut *reader).await?.is_none() {
            return Ok(0);
        }
        drop(reader);
        let mut tx = self.begin().await?;
        let done = fold_in(tx.db()).await?;
        tx.commit().await?;
        Ok(done)
    }
}

async fn fold_in(connection: &mut AnyConnection) -> Result<usize, CommandError> {
    let unfolded = format!(
        "SELECT id, {}, weight, weight_unit FROM item WHERE folded = '' ORDER BY id LIMIT $1",
        item_columns::list("")
    );
    let rows = sqlx::query(AssertSqlSafe(unfolded)).bind(AT_ONCE).fetch_all(&mut *connection).await?;
    for row in &rows {
        let folded = folded(&item_columns::read(row)?);
        let mass = mass(stored_weight(row.try_get("weight")?, row.try_get("weight_unit")?)?);
        sqlx::query("UPDATE item SET folded = $2, mass = $3 WHERE id = $1")
            .bind(row.try_get::<i64, _>("id")?)
            .bind(folded)
            .bind(mass)
            .execute(&mut *connection)
            .await?;
    }
    Ok(rows.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colors_and_sizes_are_told_from_other_words() {
        let check = |[name, color, size, material]: [&str; 4], expected: &str| {
            let (name, color) = (name.to_owned(), color.to_owned());
            let (size, material) = (size.to_owned(), material.to_owned());
            let text = ItemText { name, color, size, material, ..ItemText::default() };
            assert_eq!(folded(&text), expected);
        };
        check(
            ["Ridge Beanie, fern", "Fawn|dark MOSS", "M", "80% Alpaca / 20% Wool"],
            "ridge beanie, fern\n#fawn #dark #moss [m]80% alpaca / 20% wool\n",
        );
        check(["", "", "", ""], "\n[]");
        check(["H\u{e4}t", "gr\u{fc}n", " 38 ", ""], "hat\n#grun [38]");
    }
}
