//! A photograph of every piece, drawn from its yarn and stitch: what it is by its style, the piece's own colors, and
//! a little different for each code.
//!
//! What all pieces of a style share is worked out once, and the pieces are painted on all processors.
#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::many_single_char_names,
    reason = "pixels and bytes out of numbers that were clamped, and a picture's x, y, u and v"
)]

mod outline;
mod paint;
mod piece;
mod stitch;

use super::rng::Rng;
use super::trouble::{DemoError, Doing};
use domain::color;
use ledger::shelf::{NewItem, Picture};
use paint::{Pattern, SIDE, Table};
use piece::Form;
use std::path::Path;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use till::Photograph;

/// Any number would do.
const SEED: u64 = 0x00C0_FFEE;
const STEP: &str = "draw its photographs";

/// A pattern, worked out by whoever needs it first.
struct Shared {
    form: Form,
    pattern: OnceLock<Pattern>,
}

/// One piece to be drawn.
struct Sitter<'a> {
    item: &'a mut NewItem,
    pattern: usize,
    table: usize,
    rng: Rng,
}

/// Draws the pieces, keeps the files in the folder and names them in the items; returns what there is to be recorded.
pub(super) fn take(items: &mut [NewItem], folder: &Path) -> Result<Vec<Picture>, DemoError> {
    let tables = Table::all();
    let mut shared = Vec::new();
    let sitters: Vec<Sitter<'_>> =
        items.iter_mut().filter_map(|item| Sitter::of(item, &mut shared, tables.len())).collect();
    let next = AtomicUsize::new(0);
    let work = || {
        let mut done = Vec::new();
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(sitter) = sitters.get(at) else { return Ok(done) };
            done.push((at, sitter.photograph(&shared, &tables, folder)?));
        }
    };
    let hands = thread::available_parallelism().map_or(1, usize::from);
    let done: Result<Vec<Vec<(usize, Picture)>>, DemoError> = thread::scope(|scope| {
        let hands: Vec<_> = (0..hands).map(|_| scope.spawn(work)).collect();
        let worked = |hand: thread::ScopedJoinHandle<'_, _>| {
            hand.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
        };
        hands.into_iter().map(worked).collect()
    });
    let mut done: Vec<(usize, Picture)> = done?.into_iter().flatten().collect();
    done.sort_by_key(|(at, _)| *at);
    for (sitter, (_, picture)) in sitters.into_iter().zip(&done) {
        sitter.item.text.images = vec![picture.name.file()];
    }
    Ok(done.into_iter().map(|(_, picture)| picture).collect())
}

impl<'a> Sitter<'a> {
    fn of(item: &'a mut NewItem, shared: &mut Vec<Shared>, tables: usize) -> Option<Self> {
        let form = Form::of_style(item.pricing.style.as_deref()?)?;
        let code = item.sku.as_ref().map(ToString::to_string).unwrap_or_default();
        let seed = code.bytes().fold(SEED, |seed, byte| seed.wrapping_mul(0x100_0000_01B3) ^ u64::from(byte));
        let mut rng = Rng::new(seed);
        let known = shared.iter().position(|one| one.form == form);
        let pattern = known.unwrap_or(shared.len());
        if known.is_none() {
            shared.push(Shared { form, pattern: OnceLock::new() });
        }
        let table = (0..tables).filter(|_| rng.chance(50)).last().unwrap_or(0);
        Some(Self { item, pattern, table, rng })
    }

    fn photograph(&self, shared: &[Shared], tables: &[Table], folder: &Path) -> Result<Picture, DemoError> {
        let shared = &shared[self.pattern];
        let pattern = shared.pattern.get_or_init(|| Pattern::of(shared.form));
        let colors = color::of_text(&self.item.text.color);
        let pixels = pattern.painted(&colors, &tables[self.table], &mut self.rng.clone());
        let photograph = Photograph::of_pixels(SIDE, SIDE, pixels).doing(STEP)?;
        photograph.write(folder).doing(STEP)?;
        Ok(photograph.picture().clone())
    }
}
