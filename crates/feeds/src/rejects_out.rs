//! The rejects file: the rejected rows as they came, each with its reason, to be corrected and fed
//! again.

use crate::csv_in::REASON;
use crate::guard::guard;
use crate::layout::{Encoding, Format};
use crate::reject::Reject;
use crate::source::Shape;
use serde_json::value::RawValue;
use std::io::{self, Write};

/// Writes rejected rows in their file's own bytes, with a last column `reject.reason`, which is ignored
/// when the file is fed again. JSON is written as JSON Lines.
pub struct RejectsWriter<W> {
    out: W,
    shape: Shape,
    rows: u64,
}

impl<W: Write> RejectsWriter<W> {
    /// For a file of this shape. Nothing is written before the first rejection.
    pub fn new(out: W, shape: Shape) -> Self {
        Self { out, shape, rows: 0 }
    }

    /// Writes all rows of one rejection.
    pub fn write(&mut self, reject: &Reject) -> io::Result<()> {
        let reason = reject.to_string();
        for row in reject.rows().iter() {
            if self.shape.format == Format::Csv {
                self.write_row(row, &reason, reject.rows().encoding)?;
            } else {
                self.out.write_all(&json_line(row, &reason))?;
                self.out.write_all(b"\n")?;
            }
            self.rows += 1;
        }
        Ok(())
    }

    /// Finishes the file and returns its number of rows.
    pub fn finish(mut self) -> io::Result<u64> {
        self.out.flush()?;
        Ok(self.rows)
    }

    fn write_row(&mut self, row: &[u8], reason: &str, encoding: Encoding) -> io::Result<()> {
        let delimiter = [self.shape.delimiter.byte()];
        if self.rows == 0 {
            if self.shape.mark {
                self.out.write_all("\u{feff}".as_bytes())?;
            }
            if let Some(header) = &self.shape.header {
                let parts = [header.as_slice(), &delimiter, REASON.as_bytes(), self.shape.line_end];
                self.out.write_all(&parts.concat())?;
            }
        }
        // Without a heading the reason must be recognizable by itself.
        let label = if self.shape.header.is_some() { "" } else { "reject.reason: " };
        let reason = format!("{label}{reason}");
        let cell = format!("\"{}\"", guard(&reason).replace('"', "\"\""));
        let cell = encoded(&cell, if self.shape.mark { Encoding::Utf8 } else { encoding });
        self.out.write_all(&[row, &delimiter, &cell, self.shape.line_end].concat())
    }
}

/// The reason in the file's encoding, so that the file stays readable.
fn encoded(text: &str, encoding: Encoding) -> Vec<u8> {
    match encoding {
        Encoding::Utf8 => text.as_bytes().to_vec(),
        Encoding::Windows1252 => encoding_rs::WINDOWS_1252.encode(text).0.into_owned(),
        Encoding::Ascii => {
            let plain = |c: char| match c {
                '“' | '”' | '’' => '\'',
                c if c.is_ascii() => c,
                _ => '?',
            };
            text.chars().map(plain).collect::<String>().into_bytes()
        }
    }
}

/// The record on one line with its reason. Anything but an object is written unchanged: only a person
/// can correct it.
fn json_line(row: &[u8], reason: &str) -> Vec<u8> {
    let on_one_line = |b: &u8| if matches!(b, b'\n' | b'\r') { b' ' } else { *b };
    let row: Vec<u8> = row.trim_ascii().iter().map(on_one_line).collect();
    let is_object = row.starts_with(b"{") && serde_json::from_slice::<&RawValue>(&row).is_ok();
    let Some(inner) = row.strip_suffix(b"}").filter(|_| is_object) else { return row };
    let comma: &[u8] = if inner.trim_ascii() == b"{" { b"" } else { b"," };
    let reason = serde_json::Value::from(reason).to_string();
    [inner, comma, b"\"reject.reason\":", reason.as_bytes(), b"}"].concat()
}
