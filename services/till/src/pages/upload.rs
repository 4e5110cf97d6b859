//! Forms with photographs.

use crate::app::App;
use crate::images::pictures::{MAX_BYTES, PictureError};
use crate::pages::form::{Faults, Form, MAX_FIELDS};
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use crate::security::digest;
use axum::extract::multipart::{Field, Multipart, MultipartError};
use axum::extract::{DefaultBodyLimit, FromRequest, Request};
use axum::http::StatusCode;
use ledger::shelf::{KeepPictures, MAX_PHOTOGRAPHS, PictureName};
use tokio::sync::OwnedSemaphorePermit;

pub(crate) const PHOTOGRAPHS: &str = "photographs";
/// The field that names photographs stored by an earlier try of the same form.
pub(crate) const KEPT: &str = "kept";
/// The most bytes of one form: a few photographs straight from a camera.
const MAX_UPLOAD: usize = 64 * 1024 * 1024;
/// The most bytes of a text field: several times the longest note in UTF-8.
const MAX_TEXT: usize = 256 * 1024;

/// A form that was read, with its photographs.
pub(crate) struct PhotoForm {
    pub(crate) form: Form,
    photographs: Vec<Photograph>,
    /// Held until the form is done, so that no more forms are read at once than memory allows.
    _room: Option<OwnedSemaphorePermit>,
}

/// A file as it was sent.
struct Photograph {
    file: String,
    bytes: Result<Vec<u8>, PictureError>,
}

impl FromRequest<App> for PhotoForm {
    type Rejection = Problem;

    async fn from_request(mut request: Request, app: &App) -> Result<Self, Problem> {
        let caller = request.extensions().get::<Caller>().cloned();
        let caller =
            caller.ok_or_else(|| Problem::new(Kind::StorageError, "a form was reached by nobody"))?;
        let scope = format!("{} POST {}", caller.who, request.uri().path());
        let room = app.image_processor.room_for_form().await;
        DefaultBodyLimit::max(MAX_UPLOAD).apply(&mut request);
        let parts = Multipart::from_request(request, &()).await.map_err(|_| {
            Problem::new(
                Kind::UnsupportedMediaType,
                "the request is not a form of this page; reload the page and send it from there",
            )
        })?;
        let (mut pairs, photographs) = read(parts).await?;
        // The photographs are part of what was sent under the form's key.
        pairs.extend(photographs.iter().map(|p| (PHOTOGRAPHS.to_owned(), p.digest())));
        Ok(Self { form: Form::of_pairs(pairs, caller, &scope)?, photographs, _room: room })
    }
}

type Parts = (Vec<(String, String)>, Vec<Photograph>);

async fn read(mut parts: Multipart) -> Result<Parts, Problem> {
    let (mut pairs, mut photographs) = (Vec::new(), Vec::new());
    while let Some(part) = parts.next_field().await.map_err(|error| unread(&error))? {
        if pairs.len() + photographs.len() > MAX_FIELDS {
            return Err(Problem::new(Kind::TooLarge, format!("the form has more than {MAX_FIELDS} fields")));
        }
        let name = part.name().unwrap_or_default().to_owned();
        let Some(file) = part.file_name().map(str::to_owned) else {
            let text = bytes_of(part, MAX_TEXT).await.map_err(|error| unread(&error))?;
            let text =
                text.ok_or_else(|| Problem::new(Kind::TooLarge, format!("the field {name} is too long")))?;
            let text = String::from_utf8(text)
                .map_err(|_| Problem::new(Kind::Malformed, format!("the field {name} is not UTF-8")))?;
            pairs.push((name, text));
            continue;
        };
        let bytes = bytes_of(part, MAX_BYTES)
            .await
            .map_err(|error| unread(&error))?
            .ok_or(PictureError::TooManyBytes);
        // Browsers send an empty file if none was chosen.
        let is_none = file.is_empty() && bytes.as_ref().is_ok_and(Vec::is_empty);
        if name == PHOTOGRAPHS && !is_none {
            photographs.push(Photograph { file, bytes });
        }
    }
    Ok((pairs, photographs))
}

/// The bytes of a part, or none if there are more than `limit`; the rest is read and dropped.
async fn bytes_of(mut part: Field<'_>, limit: usize) -> Result<Option<Vec<u8>>, MultipartError> {
    let mut bytes = Some(Vec::new());
    while let Some(chunk) = part.chunk().await? {
        bytes = bytes.filter(|b: &Vec<u8>| b.len() + chunk.len() <= limit);
        if let Some(bytes) = &mut bytes {
            bytes.extend_from_slice(&chunk);
        }
    }
    Ok(bytes)
}

fn unread(error: &MultipartError) -> Problem {
    if error.status() == StatusCode::PAYLOAD_TOO_LARGE {
        let most = MAX_UPLOAD / 1024 / 1024;
        let words = format!("the photographs are larger than {most} MB together. Send fewer at once");
        return Problem::new(Kind::TooLarge, words);
    }
    Problem::new(Kind::Malformed, format!("the form cannot be read: {}", error.body_text()))
}

impl Photograph {
    fn digest(&self) -> String {
        digest::sha256(self.bytes.as_deref().unwrap_or_default())
    }
}

impl PhotoForm {
    /// Stores the photographs, in addition to those of an earlier try. A bad one is reported by its file's
    /// name; the others are kept, so that nobody has to choose them again.
    pub(crate) async fn take_in(self, app: &App) -> Result<(Form, Vec<PictureName>, Faults), Problem> {
        let Self { form, photographs, _room } = self;
        let mut faults = Faults::default();
        let mut names: Vec<PictureName> =
            form.all(KEPT).into_iter().filter_map(|text| PictureName::parse(text).ok()).collect();
        let stored = app.ledger.pictures(&names).await?;
        names.retain(|name| stored.contains_key(name));
        if names.len() + photographs.len() > MAX_PHOTOGRAPHS {
            faults.add(
                PHOTOGRAPHS,
                format!("a piece can have at most {MAX_PHOTOGRAPHS} photographs; remove some"),
            );
            return Ok((form, names, faults));
        }
        let mut pictures = Vec::with_capacity(photographs.len());
        for Photograph { file, bytes } in photographs {
            let taken = match bytes {
                Ok(bytes) => app.image_processor.take_in(app.ledger.pictures_folder(), bytes).await,
                Err(error) => Err(error),
            };
            match taken {
                Ok(picture) => pictures.push(picture),
                Err(error) if error.is_ours() => return Err(error.into()),
                Err(error) => faults.add(PHOTOGRAPHS, format!("{file}: {error}")),
            }
        }
        for picture in &pictures {
            if !names.contains(&picture.name) {
                names.push(picture.name.clone());
            }
        }
        let keep = KeepPictures { pictures, who: form.caller.who.clone() };
        // No key is needed: recording a picture twice has the same effect as once.
        app.ledger.execute(None, &keep).await?;
        Ok((form, names, faults))
    }
}
