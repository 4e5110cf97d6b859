//! A form with a file.

use crate::app::App;
use crate::feed_adapter::GivenFile;
use crate::pages::mask;
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use axum::extract::multipart::{Multipart, MultipartError};
use axum::extract::{DefaultBodyLimit, FromRequest, Request};

/// The largest form: a list of some hundred thousand listings.
const MAX_BYTES: usize = 32 << 20;
/// The longest field besides the file: a layout.
const MAX_FIELD_BYTES: usize = 256 << 10;
/// The most fields of such a form.
const MAX_FIELDS: usize = 20;
/// The field that proves that the form is from our own page.
const SEAL: &str = "_seal";
/// The longest file name that is shown.
const MAX_NAME_CHARS: usize = 120;

#[derive(Debug)]
pub(crate) struct Upload {
    pub(crate) caller: Caller,
    pairs: Vec<(String, String)>,
    file: Option<(String, Vec<u8>)>,
}

impl Upload {
    /// A field's text; empty if it is missing.
    pub(crate) fn raw(&self, name: &str) -> &str {
        self.pairs.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value.as_str())
    }

    pub(crate) fn has(&self, name: &str) -> bool {
        self.pairs.iter().any(|(n, _)| n == name)
    }

    /// The file, if one was chosen.
    pub(crate) fn take_file(&mut self, layout: Option<String>) -> Option<GivenFile> {
        let cut = self.has("cut");
        let (name, bytes) = self.file.take()?;
        Some(GivenFile { name, bytes, cut, layout })
    }
}

impl FromRequest<App> for Upload {
    type Rejection = Problem;

    async fn from_request(mut request: Request, app: &App) -> Result<Self, Problem> {
        let caller = request.extensions().get::<Caller>().cloned();
        let caller =
            caller.ok_or_else(|| Problem::new(Kind::StorageError, "a form was reached by nobody"))?;
        DefaultBodyLimit::max(MAX_BYTES).apply(&mut request);
        let parts = Multipart::from_request(request, app).await.map_err(|_| {
            Problem::new(
                Kind::UnsupportedMediaType,
                "the request is not a form of this page; reload the page and send it from there",
            )
        })?;
        let upload = read(parts, caller).await?;
        if mask::is_of(upload.raw(SEAL), &upload.caller.form_token) {
            return Ok(upload);
        }
        let words = "this form has expired. Reload the page and send it again";
        Err(Problem::new(Kind::ForeignOrigin, words))
    }
}

async fn read(mut parts: Multipart, caller: Caller) -> Result<Upload, Problem> {
    let mut upload = Upload { caller, pairs: Vec::new(), file: None };
    for _ in 0..=MAX_FIELDS {
        let Some(mut field) = parts.next_field().await.map_err(|e| broken(&e))? else { return Ok(upload) };
        let name = field.name().unwrap_or_default().to_owned();
        let file = field.file_name().map(plain_name);
        let most = if file.is_some() { MAX_BYTES } else { MAX_FIELD_BYTES };
        let mut bytes = Vec::new();
        while let Some(chunk) = field.chunk().await.map_err(|e| broken(&e))? {
            if bytes.len() + chunk.len() > most {
                let words = format!("{name} is larger than {} KB, the most this page takes", most >> 10);
                return Err(Problem::new(Kind::TooLarge, words));
            }
            bytes.extend_from_slice(&chunk);
        }
        match file {
            // Browsers send an empty file if none was chosen.
            Some(file) if file.is_empty() && bytes.is_empty() => {}
            Some(file) => upload.file = Some((file, bytes)),
            None => {
                let text = String::from_utf8(bytes)
                    .map_err(|_| Problem::new(Kind::Malformed, format!("{name} is not UTF-8")))?;
                upload.pairs.push((name, text));
            }
        }
    }
    Err(Problem::new(Kind::TooLarge, format!("the form has more than {MAX_FIELDS} fields")))
}

/// The name of a file, without its folders.
pub(super) fn plain_name(given: &str) -> String {
    let last = given.rsplit(['/', '\\']).next().unwrap_or_default();
    last.chars().filter(|c| !c.is_control()).take(MAX_NAME_CHARS).collect()
}

fn broken(error: &MultipartError) -> Problem {
    if error.status().as_u16() == 413 {
        return Problem::new(
            Kind::TooLarge,
            format!("the form is larger than {} MB; choose a smaller file", MAX_BYTES >> 20),
        );
    }
    Problem::new(Kind::Malformed, "the form did not arrive completely; send it again").because(error)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::testing::{Reply, TestShop};
    use axum::body::Body;
    use axum::http::Method;

    /// Sends a form with a file.
    pub(crate) async fn send(
        shop: &TestShop,
        path: &str,
        fields: &[(&str, &str)],
        file: Option<(&str, &[u8])>,
    ) -> Reply {
        let mut body = Vec::new();
        for (name, value) in fields {
            let head =
                format!("--b0und\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n");
            body.extend_from_slice(head.as_bytes());
        }
        if let Some((name, bytes)) = file {
            let head = format!(
                "--b0und\r\nContent-Disposition: form-data; name=\"file\"; filename=\"{name}\"\r\n\
                 Content-Type: application/octet-stream\r\n\r\n"
            );
            body.extend_from_slice(head.as_bytes());
            body.extend_from_slice(bytes);
            body.extend_from_slice(b"\r\n");
        }
        body.extend_from_slice(b"--b0und--\r\n");
        let headers = [("content-type", "multipart/form-data; boundary=b0und")];
        shop.ask(Method::POST, path, &headers, Body::from(body)).await
    }

    #[test]
    fn a_files_name_is_its_own() {
        let check = |given: &str, expected: &str| assert_eq!(plain_name(given), expected);
        check("list.csv", "list.csv");
        check("C:\\shop\\list.csv", "list.csv");
        check("../../etc/passwd", "passwd");
        check("a\nb.csv", "ab.csv");
        check(&"x".repeat(500), &"x".repeat(MAX_NAME_CHARS));
    }
}
