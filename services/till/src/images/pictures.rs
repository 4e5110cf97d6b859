//! Photographs: turned upright and stored in three sizes, without the metadata that the camera added, such as
//! where the picture was taken.

mod develop;
mod files;
mod needs;

use develop::Developed;
use image::{DynamicImage, ImageError, RgbImage};
use ledger::shelf::{Picture, PictureName};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::task::JoinError;

/// The largest file that is accepted. A camera's best JPEG is about half as large (from memory).
pub(crate) const MAX_BYTES: usize = 20 * 1024 * 1024;
/// How many forms with photographs are read at once: each may hold [`MAX_BYTES`] several times.
const FORMS_AT_ONCE: usize = 2;

/// What is wrong with a photograph.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PictureError {
    /// More than [`MAX_BYTES`].
    #[error("it is larger than {} MB; set the camera to a smaller size", MAX_BYTES / 1024 / 1024)]
    TooManyBytes,
    /// Not JPEG, PNG or WebP by its first bytes, whatever its file name says.
    #[error("it is not a photo in a supported format; use JPEG, PNG or WebP")]
    NotAPicture,
    /// The image's header states a size beyond the limits.
    #[error("it is {width} × {height} pixels; the limit is {} per side and {} million in total", develop::MAX_SIDE, develop::MAX_POINTS / 1_000_000)]
    TooLarge {
        /// In pixels, as the header states it.
        width: u32,
        /// In pixels, as the header states it.
        height: u32,
    },
    /// Decoding it would take more than [`develop::MAX_DECODED`].
    #[error("it needs too much memory; save it as a JPEG first")]
    TooMuchMemory,
    /// It begins as an image but cannot be decoded.
    #[error("it is damaged and cannot be read; take the photo again")]
    Damaged(#[source] ImageError),
    /// The shop is in PostgreSQL and no folder for photographs was given.
    #[error("the shop has no photo folder; start it with `fleecefold serve --pictures DIR`")]
    NoFolder,
    /// The smaller sizes could not be encoded.
    #[error("the photograph could not be written as JPEG")]
    Encode(#[source] ImageError),
    /// The hash does not make a valid picture name.
    #[error("the photograph could not be named")]
    Name(#[source] ledger::Rejection),
    /// A file of the folder could not be written.
    #[error("the photograph could not be written")]
    Write(#[source] io::Error),
    /// A file of the folder could not be read.
    #[error("the photograph could not be read")]
    Read(#[source] io::Error),
    /// The thread that worked on it panicked.
    #[error("the photograph could not be worked on")]
    Broken(#[source] JoinError),
}

impl PictureError {
    /// Whether the fault is the server's and not the photograph's.
    pub(crate) fn is_ours(&self) -> bool {
        match self {
            Self::TooManyBytes
            | Self::NotAPicture
            | Self::TooLarge { .. }
            | Self::TooMuchMemory
            | Self::Damaged(_)
            | Self::NoFolder => false,
            Self::Encode(_) | Self::Name(_) | Self::Write(_) | Self::Read(_) | Self::Broken(_) => true,
        }
    }
}

/// A photograph that the program made itself, from its pixels.
#[derive(Debug)]
pub struct Photograph(Developed);

/// Why there is no such photograph.
#[derive(Debug, thiserror::Error)]
#[error("the photograph could not be made from its pixels")]
pub struct NoPhotograph(#[source] Option<PictureError>);

impl Photograph {
    /// Of pixels of red, green and blue, row by row.
    pub fn of_pixels(width: u16, height: u16, pixels: Vec<u8>) -> Result<Self, NoPhotograph> {
        let image = RgbImage::from_raw(width.into(), height.into(), pixels).ok_or(NoPhotograph(None))?;
        let fitted = develop::fitted(DynamicImage::ImageRgb8(image), Size::Large.longest()).into_rgb8();
        develop::sizes(fitted).map(Self).map_err(|error| NoPhotograph(Some(error)))
    }

    /// What the ledger records of it.
    pub fn picture(&self) -> &Picture {
        &self.0.picture
    }

    /// Writes its files, as those of any other photograph.
    pub fn write(&self, folder: &Path) -> io::Result<()> {
        self.0.files.iter().try_for_each(|(name, bytes)| files::write(folder, name, bytes))
    }
}

/// Which of the three files of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Size {
    /// For the online listing, and for zooming in.
    Large,
    /// For a page of the program.
    Middle,
    /// For a tag on the shelf.
    Small,
}

impl Size {
    pub(crate) const ALL: [Self; 3] = [Self::Large, Self::Middle, Self::Small];

    /// The longest side, in pixels. A smaller photograph is never enlarged. Online shops commonly zoom into
    /// 1600 pixels:
    /// common practice, no source.
    pub(crate) fn longest(self) -> u32 {
        match self {
            Self::Large => 1600,
            Self::Middle => ledger::shelf::SMALLER[0],
            Self::Small => ledger::shelf::SMALLER[1],
        }
    }

    /// The name of the file of this size.
    pub(crate) fn file(self, name: &PictureName) -> String {
        match self {
            Self::Large => name.file(),
            size => name.smaller_file(size.longest()),
        }
    }

    /// The address of an item's picture; none if it is on another origin.
    pub(crate) fn address(self, image: &str) -> Option<String> {
        PictureName::of_file(image).map(|name| format!("/pictures/{}", self.file(&name)))
    }

    /// The picture and size that a file name stands for.
    pub(crate) fn of_file(file: &str) -> Option<(PictureName, Self)> {
        let name = PictureName::parse(file.get(..64)?).ok()?;
        Self::ALL.into_iter().find(|size| size.file(&name) == file).map(|size| (name, size))
    }
}

/// Decodes and resizes photographs, as many at once as memory allows.
#[derive(Clone, Debug)]
pub(crate) struct ImageProcessor {
    /// One at a time: a large photograph needs a few hundred megabytes while it is being resized.
    resize_permits: Arc<Semaphore>,
    forms: Arc<Semaphore>,
}

impl ImageProcessor {
    pub(crate) fn new() -> Self {
        Self { resize_permits: Arc::new(Semaphore::new(1)), forms: Arc::new(Semaphore::new(FORMS_AT_ONCE)) }
    }

    /// Waits until there is room for another form with photographs.
    pub(crate) async fn room_for_form(&self) -> Option<OwnedSemaphorePermit> {
        // The semaphore is never closed.
        Arc::clone(&self.forms).acquire_owned().await.ok()
    }

    /// Makes the three sizes of a photograph and writes them to the folder.
    pub(crate) async fn take_in(
        &self,
        folder: Option<PathBuf>,
        bytes: Vec<u8>,
    ) -> Result<Picture, PictureError> {
        let folder = folder.ok_or(PictureError::NoFolder)?;
        let permit = Arc::clone(&self.resize_permits).acquire_owned().await.ok();
        let work = move || {
            // Held by the work and not by the request, which may be dropped before the work is done.
            let _permit = permit;
            let Developed { picture, files } = develop::develop(&bytes)?;
            for (name, bytes) in &files {
                files::write(&folder, name, bytes).map_err(PictureError::Write)?;
            }
            Ok(picture)
        };
        tokio::task::spawn_blocking(work).await.map_err(PictureError::Broken)?
    }
}

/// The file of a picture; none if there is no such file.
pub(crate) async fn read(folder: Option<PathBuf>, file: String) -> Result<Option<Vec<u8>>, PictureError> {
    let Some(folder) = folder else { return Ok(None) };
    let read = tokio::task::spawn_blocking(move || files::read(&folder, &file));
    read.await.map_err(PictureError::Broken)?.map_err(PictureError::Read)
}

#[cfg(test)]
pub(crate) use develop::tests::{dark, jpeg, photograph};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_names_of_our_own_files_are_known() {
        let hash = "0a".repeat(32);
        let check = |file: &str, expected: Option<Size>| {
            assert_eq!(Size::of_file(file).map(|(_, size)| size), expected, "{file}");
        };
        check(&format!("{hash}.jpg"), Some(Size::Large));
        check(&format!("{hash}-640.jpg"), Some(Size::Middle));
        check(&format!("{hash}-160.jpg"), Some(Size::Small));
        check(&format!("{hash}-1600.jpg"), None);
        check(&format!("{hash}.png"), None);
        check(&format!("{hash}.jpg/"), None);
        check(&format!("../{hash}.jpg"), None);
        check(&"é".repeat(40), None);
        check("shop.db", None);
        check("", None);
    }
}
