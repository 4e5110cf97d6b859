//! What is known about the photographs of pieces. The files themselves are in a folder.

use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::sql::{in_text, insert_rows_or, padded};
use crate::store::tables;
use async_trait::async_trait;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;
use std::fmt;
use std::path::PathBuf;

/// The folder of pictures beside a SQLite file.
pub const PICTURES: &str = "images";
/// The most pictures in one command: enough for a batch of pieces.
pub const MAX_PICTURES_AT_ONCE: usize = 100;
/// Characters of a SHA-256 in hex.
const HASH_CHARS: usize = 64;
/// The extension of a picture's largest file.
const FILE_END: &str = ".jpg";
/// The longest sides, in pixels, of the smaller files beside the largest: one for a page, one for a
/// tag. Our own choice, no source.
pub const SMALLER: [u32; 2] = [640, 160];

/// The name of a picture: the SHA-256 of its largest file, in hex.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String")]
pub struct PictureName(String);

impl TryFrom<String> for PictureName {
    type Error = Rejection;
    fn try_from(text: String) -> Result<Self, Rejection> {
        Self::parse(&text)
    }
}

impl PictureName {
    /// Accepts 64 hex digits in lowercase.
    pub fn parse(text: &str) -> Result<Self, Rejection> {
        let is_hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
        if text.len() == HASH_CHARS && text.bytes().all(is_hex) {
            return Ok(Self(text.to_owned()));
        }
        Err(Rejection::invalid("photographs", ShelfReason::NotAPhotograph))
    }

    /// From the name of its largest file, which an item has; none for a picture from elsewhere.
    pub fn of_file(file: &str) -> Option<Self> {
        Self::parse(file.strip_suffix(FILE_END)?).ok()
    }

    /// The name of its largest file, which items and feeds have.
    pub fn file(&self) -> String {
        format!("{}{FILE_END}", self.0)
    }

    /// The name of a smaller file, by its longest side; see [`SMALLER`].
    pub fn smaller_file(&self, longest: u32) -> String {
        format!("{}-{longest}{FILE_END}", self.0)
    }

    /// The 64 digits.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for PictureName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A photograph in the shop's folder.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Picture {
    /// Its name.
    pub name: PictureName,
    /// Of the largest file, in pixels.
    pub width: u32,
    /// Of the largest file, in pixels.
    pub height: u32,
    /// The size of the largest file.
    pub bytes: u32,
    /// The mean of all its pixels, from 0 for black to 100 for white.
    pub lightness: u8,
}

/// Records pictures whose files are already in their folder. A known one stays as it is.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct KeepPictures {
    /// At most [`MAX_PICTURES_AT_ONCE`].
    pub pictures: Vec<Picture>,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for KeepPictures {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        if self.pictures.len() > MAX_PICTURES_AT_ONCE {
            let reason = ShelfReason::TooManyPictures { limit: MAX_PICTURES_AT_ONCE };
            return Err(Rejection::invalid("photographs", reason).into());
        }
        let who = text::short(&self.who).field("who")?;
        let now = tx.now().millis();
        let tail = "ON CONFLICT (hash) DO NOTHING";
        insert_rows_or(tx.db(), &tables::PICTURE, tail, &self.pictures, |statement, picture| {
            statement
                .bind(picture.name.as_str().to_owned())
                .bind(i64::from(picture.width))
                .bind(i64::from(picture.height))
                .bind(i64::from(picture.bytes))
                .bind(i64::from(picture.lightness))
                .bind(who.clone())
                .bind(now)
        })
        .await?;
        Ok(())
    }
}

/// Those of the pictures that are known.
pub(crate) async fn find(
    connection: &mut AnyConnection,
    names: &[PictureName],
) -> Result<HashMap<PictureName, Picture>, CommandError> {
    let mut found = HashMap::with_capacity(names.len());
    for chunk in names.chunks(MAX_PICTURES_AT_ONCE) {
        let head = "SELECT hash, width, height, bytes, lightness FROM picture WHERE hash";
        let mut statement = sqlx::query(AssertSqlSafe(in_text(head, 1, chunk.len(), "")));
        for name in padded(chunk) {
            statement = statement.bind(name.0);
        }
        for row in statement.fetch_all(&mut *connection).await? {
            let number = |column: &str| u32::try_from(row.try_get::<i64, _>(column)?).stored("picture.width");
            let name = PictureName::parse(&row.try_get::<String, _>("hash")?).stored("picture.hash")?;
            let lightness = u8::try_from(row.try_get::<i64, _>("lightness")?).stored("picture.lightness")?;
            let (width, height, bytes) = (number("width")?, number("height")?, number("bytes")?);
            found.insert(name.clone(), Picture { name, width, height, bytes, lightness });
        }
    }
    Ok(found)
}

impl Ledger {
    /// What is known about pictures; unknown ones are left out.
    pub async fn pictures(
        &self,
        names: &[PictureName],
    ) -> Result<HashMap<PictureName, Picture>, CommandError> {
        let mut connection = self.reader().await?;
        find(&mut connection, names).await
    }

    /// Sets the folder for pictures. It cannot be changed later; without it, pictures are beside the
    /// shop's file.
    pub fn keep_pictures_in(&self, folder: PathBuf) {
        // An error means that it was set before, and stays.
        let _ = self.inner.pictures.set(folder);
    }

    /// The folder of the pictures; none for a shop on a server if nobody set it.
    pub fn pictures_folder(&self) -> Option<PathBuf> {
        let said = self.inner.pictures.get().cloned();
        said.or_else(|| Some(self.path()?.parent()?.join(PICTURES)))
    }
}
