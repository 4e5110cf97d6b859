//! An item's text in its columns: all statements that read or write it name them through here.

use crate::shelf::find_text;
use crate::store::error::Naming;
use crate::store::rejection::Rejection;
use crate::store::sql::Statement;
use domain::item::{ItemText, TextField};
use domain::{image, text};
use sqlx::Row;
use sqlx::any::AnyRow;

/// The columns in the order in which they are bound and read: the texts, then the images.
fn columns() -> impl Iterator<Item = &'static str> {
    TextField::ALL.iter().map(|field| field.property()).chain(["image"])
}

/// As a list, each after `prefix`.
pub(crate) fn list(prefix: &str) -> String {
    columns().map(|column| format!("{prefix}{column}")).collect::<Vec<_>>().join(", ")
}

/// The columns that [`bind`] binds.
pub(crate) fn written() -> Vec<&'static str> {
    columns().chain(["folded"]).collect()
}

/// For an UPDATE whose parameters for the text begin at `first`, with what a search looks at.
pub(crate) fn assignments(first: usize) -> String {
    let columns = written().into_iter().enumerate();
    columns.map(|(at, column)| format!("{column} = ${}", first + at)).collect::<Vec<_>>().join(", ")
}

/// Binds the columns, and what a search looks at.
pub(crate) fn bind<'q>(statement: Statement<'q>, text: &ItemText) -> Statement<'q> {
    let bound = text.fields().fold(statement, |statement, (_, text)| statement.bind(text.to_owned()));
    bound.bind(text.images.join("|")).bind(find_text::folded(text))
}

/// Images as they are stored.
pub(crate) fn images(stored: &str) -> Vec<String> {
    stored.split('|').filter(|image| !image.is_empty()).map(str::to_owned).collect()
}

pub(crate) fn read(row: &AnyRow) -> Result<ItemText, sqlx::Error> {
    let mut text = ItemText::from_fields(|field| row.try_get::<String, _>(field.property()))?;
    text.images = images(&row.try_get::<String, _>("image")?);
    Ok(text)
}

/// Trimmed texts; refuses what a text cannot hold.
pub(crate) fn checked(given: &ItemText) -> Result<ItemText, Rejection> {
    let mut checked =
        given.checked().map_err(|(field, error)| Rejection::invalid(field.property(), error))?;
    for image in &mut checked.images {
        *image = text::short(image).named("image")?;
    }
    Ok(checked)
}

/// Refuses names that an image cannot have.
pub(crate) fn refuse_images(images: &[String]) -> Result<(), Rejection> {
    let checked = |image: &String| image::checked(image.trim()).map(drop);
    images.iter().try_for_each(checked).named("image")
}
