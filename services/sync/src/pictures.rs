//! Pictures of listings: as public addresses, or as files beside the feed.

use feeds::publish;
use std::collections::HashSet;
use std::fs::{self, File};
use std::io;
use std::path::{Component, Path, PathBuf};

/// The folder of pictures, beside the database and beside a feed.
pub const PICTURES: &str = ledger::shelf::PICTURES;
/// The most pictures that a report names.
const MAX_NAMED: usize = 100;

/// A picture of a listing that could not be put beside the feed.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct MissingPicture {
    pub sku: String,
    pub name: String,
    pub why: String,
}

fn is_address(image: &str) -> bool {
    image.starts_with("https://") || image.starts_with("http://")
}

/// A plain file name that leads nowhere else.
fn is_plain_name(image: &str) -> bool {
    let mut parts = Path::new(image).components();
    matches!((parts.next(), parts.next()), (Some(Component::Normal(_)), None)) && !image.contains('\\')
}

/// A picture as the feed names it. An address stays as it is; a file name becomes an address if the shop has
/// one for its pictures, and otherwise means a file beside the feed.
pub(crate) fn told(image: &str, base: Option<&str>) -> String {
    match base {
        _ if is_address(image) => image.to_owned(),
        Some(base) => format!("{base}/{}", percent_encoded(image)),
        None => format!("{PICTURES}/{image}"),
    }
}

/// RFC 3986: whatever is not unreserved is written as its bytes.
fn percent_encoded(name: &str) -> String {
    use std::fmt::Write;
    name.bytes().fold(String::with_capacity(name.len()), |mut text, byte| {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.' | b'_' | b'~') {
            text.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(text, "%{byte:02X}");
        }
        text
    })
}

/// Puts the pictures of listings beside the feed that names them.
pub(crate) struct Copying {
    from: Option<PathBuf>,
    to: PathBuf,
    met: HashSet<String>,
    made: bool,
    pub(crate) missing: u64,
    /// The first of the missing ones.
    pub(crate) named: Vec<MissingPicture>,
}

impl Copying {
    /// From the shop's folder to one beside the feed.
    pub(crate) fn new(from: Option<PathBuf>, feed_folder: &Path) -> Self {
        let to = feed_folder.join(PICTURES);
        Self { from, to, met: HashSet::new(), made: false, missing: 0, named: Vec::new() }
    }

    /// Copies one listing's pictures. A missing one is reported and holds nothing up: the piece can be sold
    /// without it.
    pub(crate) fn copy(&mut self, sku: &str, images: &[String]) {
        for image in images.iter().filter(|i| !is_address(i)) {
            if !self.met.insert(image.clone()) {
                continue;
            }
            if let Err(why) = self.copy_one(image) {
                self.missing += 1;
                if self.named.len() < MAX_NAMED {
                    let (sku, name) = (sku.to_owned(), image.clone());
                    self.named.push(MissingPicture { sku, name, why });
                }
            }
        }
    }

    fn copy_one(&mut self, image: &str) -> Result<(), String> {
        if !is_plain_name(image) {
            return Err("it is not the plain name of a file".to_owned());
        }
        let Some(from) = &self.from else {
            return Err(
                "a shop on a server has no folder of pictures by itself; name one with --pictures, or set image_base to where they can be fetched"
                    .to_owned(),
            );
        };
        let source = from.join(image);
        let target = self.to.join(image);
        let unread = |e: io::Error| format!("{} cannot be read: {e}", source.display());
        let mut file = File::open(&source).map_err(unread)?;
        let found = file.metadata().map_err(unread)?;
        if !found.is_file() {
            return Err(format!("{} is not a file", source.display()));
        }
        if is_current(&target, &found) {
            return Ok(());
        }
        if !self.made {
            fs::create_dir_all(&self.to).map_err(|e| format!("{} cannot be made: {e}", self.to.display()))?;
            self.made = true;
        }
        publish(&self.to, image, |out| io::copy(&mut file, out)).map(drop).map_err(|e| e.to_string())
    }
}

/// Whether the copy is as long as the source and not older.
fn is_current(copy: &Path, source: &fs::Metadata) -> bool {
    let Ok(copy) = fs::metadata(copy) else { return false };
    let times = copy.modified().and_then(|c| Ok((c, source.modified()?)));
    copy.len() == source.len() && times.is_ok_and(|(copy, source)| copy >= source)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_is_an_address_or_a_file_beside_the_feed() {
        let check = |image: &str, base: Option<&str>, expected: &str| assert_eq!(told(image, base), expected);
        check("a.jpg", None, "images/a.jpg");
        check("a.jpg", Some("https://farm.example/p"), "https://farm.example/p/a.jpg");
        // RFC 3986, section 2.1 and 2.3.
        check("mütze 1.jpg", Some("https://farm.example"), "https://farm.example/m%C3%BCtze%201.jpg");
        check("https://x.example/a.jpg", Some("https://farm.example"), "https://x.example/a.jpg");
    }

    #[test]
    fn no_name_leads_out_of_the_folder() {
        let check = |image: &str, expected: bool| assert_eq!(is_plain_name(image), expected, "{image}");
        check("a.jpg", true);
        check("..", false);
        check("../a.jpg", false);
        check("/etc/passwd", false);
        check("b/a.jpg", false);
        check("b\\a.jpg", false);
        check("", false);
        check(".", false);
    }
}
