//! Photographs of pieces: what is known of each. The files themselves stand in a folder.

use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::Rejection;
use crate::store::sql::{in_text, insert_rows_or, padded};
use async_trait::async_trait;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;
use std::fmt;
use std::path::PathBuf;

/// The folder of pictures, beside the database of a shop that is a file.
pub const PICTURES: &str = "images";
/// The most pictures of one command: those of a sheet of pieces.
pub const MAX_PICTURES_AT_ONCE: usize = 100;
/// Characters of a SHA-256 in hexadecimal.
const HASH_CHARS: usize = 64;
/// The end of the name of the largest file of a picture.
const FILE_END: &str = ".jpg";
/// The longest sides, in pixels, of the smaller files beside the largest: one for a page, one for a
/// tag. Our own choice, no source.
pub const SMALLER: [u32; 2] = [640, 160];

/// A picture's name: the SHA-256 of its largest file.
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
    /// 64 hexadecimal digits.
    pub fn parse(text: &str) -> Result<Self, Rejection> {
        let is_hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
        if text.len() == HASH_CHARS && text.bytes().all(is_hex) {
            return Ok(Self(text.to_owned()));
        }
        Err(Rejection::invalid("photographs", "this is not the name of a photograph; take it in again"))
    }

    /// By the name of its largest file, as an item keeps it; none for a picture of another origin.
    pub fn of_file(file: &str) -> Option<Self> {
        Self::parse(file.strip_suffix(FILE_END)?).ok()
    }

    /// The name of its largest file, which an item keeps and a feed tells.
    pub fn file(&self) -> String {
        format!("{}{FILE_END}", self.0)
    }

    /// The name of one of its smaller files, by the longest side; see [`SMALLER`].
    pub fn smaller_file(&self, longest: u32) -> String {
        format!("{}-{longest}{FILE_END}", self.0)
    }

    /// The digits.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for PictureName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A photograph that was taken in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Picture {
    /// Its name.
    pub name: PictureName,
    /// Of the largest file, in points.
    pub width: u32,
    /// Of the largest file, in points.
    pub height: u32,
    /// Of the largest file.
    pub bytes: u32,
    /// The mean of all its points, 0 for black and 100 for white.
    pub lightness: u8,
}

/// Notes pictures whose files are in their folder already. One that is known stays as it is.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct KeepPictures {
    /// The pictures.
    pub pictures: Vec<Picture>,
    /// Who took them in.
    pub who: String,
}

#[async_trait]
impl Command for KeepPictures {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        if self.pictures.len() > MAX_PICTURES_AT_ONCE {
            let reason = format!("at most {MAX_PICTURES_AT_ONCE} photographs are kept at once");
            return Err(Rejection::invalid("photographs", reason).into());
        }
        let who = text::short(&self.who).field("who")?;
        let now = tx.now().millis();
        let head = "INSERT INTO picture (hash, width, height, bytes, lightness, who, at_ms)";
        let tail = "ON CONFLICT (hash) DO NOTHING";
        insert_rows_or(tx.db(), head, 7, tail, &self.pictures, |statement, picture| {
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

/// Those of the pictures that were taken in.
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
            let number = |at: usize| u32::try_from(row.try_get::<i64, _>(at)?).stored("picture.width");
            let name = PictureName::parse(&row.try_get::<String, _>(0)?).stored("picture.hash")?;
            let lightness = u8::try_from(row.try_get::<i64, _>(4)?).stored("picture.lightness")?;
            let (width, height, bytes) = (number(1)?, number(2)?, number(3)?);
            found.insert(name.clone(), Picture { name, width, height, bytes, lightness });
        }
    }
    Ok(found)
}

impl Ledger {
    /// What is known of pictures; those that were never taken in are left out.
    pub async fn pictures(
        &self,
        names: &[PictureName],
    ) -> Result<HashMap<PictureName, Picture>, CommandError> {
        let mut connection = self.reader().await?;
        find(&mut connection, names).await
    }

    /// Says where pictures stand. Once said it stays; without it they stand beside the shop's file.
    pub fn keep_pictures_in(&self, folder: PathBuf) {
        // An error means that it was said before, which stays.
        let _ = self.inner.pictures.set(folder);
    }

    /// Where pictures stand; none for a shop on a server of which nobody has said it.
    pub fn pictures_folder(&self) -> Option<PathBuf> {
        let said = self.inner.pictures.get().cloned();
        said.or_else(|| Some(self.path()?.parent()?.join(PICTURES)))
    }
}
