//! Files that would use up the memory without limits.

use crate::{FILE_HASH, own};
use domain::day::Zone;
use domain::money::Currency;
use feeds::{Cause, Feed, Format, Layout, MAX_ROW_BYTES, Reading, read_items};
use std::fmt::Write;
use std::io::Read;

/// Provides a start, this many bytes, and an end, without holding them in memory.
fn long(start: &'static str, byte: u8, length: u64, end: &'static str) -> impl Read {
    start.as_bytes().chain(std::io::repeat(byte).take(length)).chain(end.as_bytes())
}

const LONG: u64 = 200 << 20;
/// Enough where only the kind of fault differs.
const LONG_ENOUGH: u64 = 8 << 20;

fn read(layout: &Layout, file: impl Read) -> Vec<Result<String, Cause>> {
    let zone = Zone::utc();
    let reading = Reading { layout, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    let records = read_items(file, reading).unwrap_or_else(|e| panic!("{e}"));
    records
        .map(|r| match r {
            Ok(parsed) => Ok(parsed.value.text.name),
            Err(reject) => {
                let kept: usize = reject.rows().iter().map(<[u8]>::len).sum();
                assert!(kept <= MAX_ROW_BYTES, "{kept} bytes of the row are held");
                Err(reject.cause().clone())
            }
        })
        .collect()
}

#[test]
fn a_line_of_200_mb_is_refused_and_not_held() {
    let own = own(Feed::Items);
    let file = long("name,color\nHat,grey\nHat,", b'x', LONG, "\nCowl,moss\n");
    assert_eq!(read(&own, file), [Ok("Hat".to_owned()), Err(Cause::TooLong), Ok("Cowl".to_owned())]);
    let lines = Layout::built_in(Feed::Items, Format::JsonLines);
    let file = long("{\"name\":\"", b'x', LONG_ENOUGH, "\"}\n{\"name\":\"Cowl\"}\n");
    assert_eq!(read(&lines, file), [Err(Cause::TooLong), Ok("Cowl".to_owned())]);
    let document = Layout::built_in(Feed::Items, Format::Json);
    let file = long("[{\"name\":\"", b'x', LONG_ENOUGH, "\"},{\"name\":\"Cowl\"}]");
    assert_eq!(read(&document, file), [Err(Cause::TooLong), Ok("Cowl".to_owned())]);
}

#[test]
fn a_heading_of_200_mb_is_refused() {
    let own = own(Feed::Items);
    let zone = Zone::utc();
    let reading = Reading { layout: &own, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    let error = read_items(long("name", b'x', LONG_ENOUGH, "\n"), reading).err().expect("a refusal");
    assert!(error.to_string().contains("longer than"), "{error}");
}

#[test]
fn a_row_of_too_many_fields_is_refused() {
    let file = format!("name,color\n{}\nCowl,moss\n", ",".repeat(5_000));
    let own = own(Feed::Items);
    assert_eq!(read(&own, file.as_bytes()), [Err(Cause::TooManyFields), Ok("Cowl".to_owned())]);
}

/// A reader that fails in the middle of an order.
struct Breaks<'a>(&'a [u8], u64);

impl Read for Breaks<'_> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let at = usize::try_from(self.1).unwrap();
        if at == self.0.len() {
            return Err(std::io::Error::other("the stick was pulled out"));
        }
        let n = into.len().min(40).min(self.0.len() - at);
        into[..n].copy_from_slice(&self.0[at..at + n]);
        self.1 += n as u64;
        Ok(n)
    }
}

impl std::io::Seek for Breaks<'_> {
    fn seek(&mut self, to: std::io::SeekFrom) -> std::io::Result<u64> {
        assert_eq!(to, std::io::SeekFrom::Start(0));
        self.1 = 0;
        Ok(0)
    }
}

#[test]
fn a_file_that_breaks_off_takes_no_order_in_half() {
    let own = own(Feed::Orders);
    let zone = Zone::utc();
    let reading = Reading { layout: &own, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    let mut text = "orderNumber,orderDate,sku,orderQuantity,price\n".to_owned();
    // More than is read to recognize the format, so that it fails while rows are read.
    for order in 0..5_000 {
        writeln!(text, "{order},2026-05-01,A,1,5\n{order},2026-05-01,B,1,5").unwrap();
    }
    let read: Vec<_> = feeds::read_orders(Breaks(text.as_bytes(), 0), reading, false).unwrap().collect();
    let (good, bad): (Vec<_>, Vec<_>) = read.into_iter().partition(Result::is_ok);
    assert_eq!(good.len(), 4_999);
    let words: Vec<String> = bad.iter().map(|r| r.as_ref().unwrap_err().to_string()).collect();
    assert!(words[0].contains("order 4999") && words[0].contains("may belong to it"), "{words:?}");
    assert!(words[1].contains("the stick was pulled out"), "{words:?}");
}
