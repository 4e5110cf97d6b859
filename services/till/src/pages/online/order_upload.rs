//! A form with a file of orders, which is written to disk while it arrives.

use crate::app::App;
use crate::app::order_files::{MAX_ORDER_FILE_BYTES, OrderFile};
use crate::pages::mask;
use crate::pages::online::upload::plain_name;
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use axum::extract::multipart::{Field, Multipart, MultipartError};
use axum::extract::{DefaultBodyLimit, FromRequest, Request};
use std::io::Write;

/// The most fields of such a form, and the longest besides the file.
const MAX_FIELDS: usize = 10;
const MAX_FIELD_BYTES: usize = 4 << 10;
/// The field that proves that the form is from our own page; it comes before the file.
const SEAL: &str = "_seal";

#[derive(Debug)]
pub(crate) struct OrderUpload {
    pub(crate) caller: Caller,
    /// None if no file was chosen.
    pub(crate) file: Option<OrderFile>,
    pairs: Vec<(String, String)>,
}

impl OrderUpload {
    /// A field's text, trimmed; empty if it is missing.
    pub(crate) fn text(&self, name: &str) -> &str {
        self.pairs.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value.trim())
    }
}

impl FromRequest<App> for OrderUpload {
    type Rejection = Problem;

    async fn from_request(mut request: Request, app: &App) -> Result<Self, Problem> {
        let caller = request.extensions().get::<Caller>().cloned();
        let caller =
            caller.ok_or_else(|| Problem::new(Kind::StorageError, "a form was reached by nobody"))?;
        let limit = usize::try_from(MAX_ORDER_FILE_BYTES).unwrap_or(usize::MAX);
        DefaultBodyLimit::max(limit + MAX_FIELDS * MAX_FIELD_BYTES).apply(&mut request);
        let parts = Multipart::from_request(request, app).await.map_err(|_| {
            Problem::new(
                Kind::UnsupportedMediaType,
                "the request is not a form of this page; reload the page and send it from there",
            )
        })?;
        read(parts, caller).await
    }
}

async fn read(mut parts: Multipart, caller: Caller) -> Result<OrderUpload, Problem> {
    let mut upload = OrderUpload { caller, file: None, pairs: Vec::new() };
    for _ in 0..=MAX_FIELDS {
        let Some(field) = parts.next_field().await.map_err(|e| broken(&e))? else {
            refuse_foreign(&upload)?;
            return Ok(upload);
        };
        let name = field.name().unwrap_or_default().to_owned();
        if let Some(file) = field.file_name().map(plain_name) {
            // Nothing is stored for another site's form.
            refuse_foreign(&upload)?;
            upload.file = stored(field, &file, &upload.caller.who).await?;
        } else {
            let text = text(field, &name).await?;
            upload.pairs.push((name, text));
        }
    }
    Err(Problem::new(Kind::TooLarge, format!("the form has more than {MAX_FIELDS} fields")))
}

fn refuse_foreign(upload: &OrderUpload) -> Result<(), Problem> {
    if mask::is_of(upload.text(SEAL), &upload.caller.form_token) {
        return Ok(());
    }
    Err(Problem::new(Kind::ForeignOrigin, "this form has expired. Reload the page and send it again"))
}

async fn text(mut field: Field<'_>, name: &str) -> Result<String, Problem> {
    let mut bytes = Vec::new();
    while let Some(chunk) = field.chunk().await.map_err(|e| broken(&e))? {
        if bytes.len() + chunk.len() > MAX_FIELD_BYTES {
            return Err(Problem::new(Kind::TooLarge, format!("{name} is too long")));
        }
        bytes.extend_from_slice(&chunk);
    }
    String::from_utf8(bytes).map_err(|_| Problem::new(Kind::Malformed, format!("{name} is not UTF-8")))
}

/// Writes the file as it comes; none if it is empty and has no name, as browsers send it if none was chosen.
async fn stored(mut field: Field<'_>, name: &str, who: &str) -> Result<Option<OrderFile>, Problem> {
    let unwritten = |error: std::io::Error| {
        Problem::new(Kind::StorageError, "the file could not be stored").because(&error)
    };
    let (kept, mut file) = OrderFile::create(name, who).map_err(unwritten)?;
    let mut length = 0;
    while let Some(chunk) = field.chunk().await.map_err(|e| broken(&e))? {
        length += chunk.len() as u64;
        if length > MAX_ORDER_FILE_BYTES {
            return Err(too_large());
        }
        file.write_all(&chunk).map_err(unwritten)?;
    }
    file.flush().map_err(unwritten)?;
    Ok((length > 0 || !name.is_empty()).then_some(kept))
}

fn too_large() -> Problem {
    let most = MAX_ORDER_FILE_BYTES >> 20;
    let words = format!("the file is larger than {most} MB; divide it, or use `fleecefold feed in`");
    Problem::new(Kind::TooLarge, words)
}

fn broken(error: &MultipartError) -> Problem {
    if error.status().as_u16() == 413 {
        return too_large();
    }
    Problem::new(Kind::Malformed, "the form did not arrive completely; send it again").because(error)
}
