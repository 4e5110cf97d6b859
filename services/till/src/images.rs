//! Photographs, and the codes that are printed on tags.

pub(crate) mod barcode;
pub(crate) mod pictures;
