//! A sheet of pieces: typed row by row, or pasted from a spreadsheet. Each row is checked by itself; rows with
//! faults stay on the sheet, with their faults.

use super::price::{Odd, Slip};
use super::tags;
use super::typed::{COLUMNS, Typed, at_field};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ledger::Shop;
use ledger::shelf::{FinishPieces, MAX_PIECES_AT_ONCE, NewPiece, PieceOutcome, StyleView};

/// Rows of an empty sheet.
const ROWS: usize = 20;
/// The buttons that record nothing: one spreads out what was pasted, the other prices all rows.
const LAY: &str = "lay";
const CHECK: &str = "check";
/// The field for pasting, and that of the bowl's weight.
const PASTED: &str = "pasted";
const TARE: &str = "tare";
/// A cell that repeats the one above it, as on paper; phones replace the plain quote by others.
const DITTO: [&str; 4] = ["\"", "“", "”", "″"];

#[derive(Debug, Default)]
struct Row {
    typed: Typed,
    faults: Faults,
    price: String,
    odd: Option<Odd>,
}

/// The first field of the sheet that is wrong, in reading order.
struct FirstWrong {
    row: usize,
    /// None if the fault is about the row as a whole.
    cell: Option<&'static str>,
    label: &'static str,
    words: String,
}

/// A cell of a row, for the page.
struct Cell<'a> {
    name: &'static str,
    label: &'static str,
    value: &'a str,
    is_wrong: bool,
}

impl Row {
    fn cells(&self) -> impl Iterator<Item = Cell<'_>> {
        self.typed.cells().into_iter().zip(COLUMNS).map(|(value, (name, label))| Cell {
            name,
            label,
            value,
            is_wrong: self.faults.at(name).is_some() || (name == "weight" && self.faults.at(TARE).is_some()),
        })
    }
}

#[derive(Debug, Default)]
struct Sheet {
    tare: String,
    rows: Vec<Row>,
    /// Faults that concern the whole sheet.
    faults: Faults,
    /// Codes of the pieces that were just recorded while others were not.
    kept: Vec<String>,
    /// Whether nothing was recorded yet because a weight is unusual.
    is_odd: bool,
}

#[derive(Template)]
#[template(path = "workbench/sheet.html")]
pub(crate) struct Page {
    frame: Frame,
    styles: Vec<StyleView>,
    sheet: Sheet,
    first: Option<FirstWrong>,
    tags: String,
    unit: &'static str,
}

/// GET /workbench/sheet
pub(crate) async fn room(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    let rows = std::iter::repeat_with(Row::default).take(ROWS).collect();
    Ok(HtmlPage(Page::new(&app, &caller, Sheet { rows, ..Sheet::default() }).await?))
}

/// POST /workbench/sheet
pub(crate) async fn finish(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let mut sheet = Sheet::of_form(&form);
    if !form.has(LAY) && sheet.faults.is_empty() {
        let pieces = sheet.judge(&app.ledger.shop());
        sheet.is_odd = !form.has(CHECK) && sheet.has_unseen(&app, &form, &pieces).await?;
        if form.has(CHECK) || sheet.is_odd {
            sheet.price(&app, &form, &pieces).await?;
        } else {
            let codes = sheet.keep(&app, &form, pieces).await?;
            if sheet.rows.is_empty() {
                return Ok(see_other(&tags::address_of_new(&codes, &sheet.tare)));
            }
            sheet.kept = codes;
        }
    }
    let is_right =
        !sheet.is_odd && sheet.faults.is_empty() && sheet.rows.iter().all(|row| row.faults.is_empty());
    let status = if is_right { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    Ok((status, HtmlPage(Page::new(&app, &form.caller, sheet).await?)).into_response())
}

impl Sheet {
    /// The form's rows that are not empty, followed by the pasted ones.
    fn of_form(form: &Form) -> Self {
        let tare = form.text(TARE).to_owned();
        let columns = COLUMNS.map(|(name, _)| form.all(name));
        let count = columns.iter().map(Vec::len).max().unwrap_or(0);
        let cell = |column: usize, row: usize| columns[column].get(row).copied().unwrap_or_default();
        let typed = (0..count).map(|row| std::array::from_fn(|column| cell(column, row).trim().to_owned()));
        let cells: Vec<[String; COLUMNS.len()]> = typed.chain(pasted(form.raw(PASTED))).collect();
        let mut sheet = Self { tare, ..Self::default() };
        for row in cells.into_iter().filter(|row| row.iter().any(|cell| !cell.is_empty())) {
            sheet.push(row);
        }
        if sheet.rows.is_empty() {
            sheet.faults.add("", "the table is empty; type or paste one row for each piece");
            sheet.rows.extend(std::iter::repeat_with(Row::default).take(ROWS));
        }
        if sheet.rows.len() > MAX_PIECES_AT_ONCE {
            let count = sheet.rows.len();
            let words =
                format!("a sheet has at most {MAX_PIECES_AT_ONCE} rows, and these are {count}; split it");
            sheet.faults.add("", words);
            sheet.rows.truncate(MAX_PIECES_AT_ONCE);
        }
        sheet
    }

    /// Adds a row; a ditto mark takes the value above it.
    fn push(&mut self, mut cells: [String; COLUMNS.len()]) {
        let mut faults = Faults::default();
        let above = self.rows.last().map(|row| row.typed.cells());
        for (at, cell) in cells.iter_mut().enumerate() {
            if !DITTO.contains(&cell.as_str()) {
                continue;
            }
            match above {
                Some(above) => above[at].clone_into(cell),
                None => faults.add(COLUMNS[at].0, "there is no row above to repeat"),
            }
        }
        let typed = Typed::of_cells(cells, &self.tare);
        self.rows.push(Row { typed, faults, ..Row::default() });
    }

    /// The piece of each row that can be parsed; the other rows get their faults.
    fn judge(&mut self, shop: &Shop) -> Vec<Option<NewPiece>> {
        let judge = |row: &mut Row| match row.typed.read_whole(shop, Vec::new()) {
            Ok(piece) => Some(piece).filter(|_| row.faults.is_empty()),
            Err(faults) => {
                row.faults.join(faults);
                None
            }
        };
        self.rows.iter_mut().map(judge).collect()
    }

    /// Whether a weight is unusual and nobody was shown that yet.
    async fn has_unseen(&self, app: &App, form: &Form, pieces: &[Option<NewPiece>]) -> Result<bool, Problem> {
        for piece in pieces.iter().flatten() {
            if Slip::of(app, piece).await?.odd.is_some_and(|odd| !odd.is_seen(form)) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Prices the pieces, and checks them by the rules by which they are recorded.
    async fn price(&mut self, app: &App, form: &Form, pieces: &[Option<NewPiece>]) -> Result<(), Problem> {
        let read: Vec<NewPiece> = pieces.iter().flatten().cloned().collect();
        let tried = FinishPieces { pieces: read, who: form.caller.who.clone() };
        let mut tried = app.ledger.try_pieces(&tried).await?.into_iter();
        for (row, piece) in self.rows.iter_mut().zip(pieces) {
            let Some(piece) = piece else { continue };
            let slip = Slip::of(app, piece).await?;
            row.price = slip.price.unwrap_or_default();
            row.odd = slip.odd;
            row.faults.join(slip.faults);
            if let Some(PieceOutcome::Refused(rejection)) = tried.next() {
                let (field, words) = at_field(&rejection);
                row.faults.add(field, words);
            }
        }
        Ok(())
    }

    fn first_wrong(&self) -> Option<FirstWrong> {
        let (at, row) = self.rows.iter().enumerate().find(|(_, row)| !row.faults.is_empty())?;
        let column = COLUMNS.iter().find_map(|(name, label)| Some((*name, *label, row.faults.at(name)?)));
        let row_wide = || row.faults.all().next().map(|(_, words)| words.to_owned());
        Some(match column {
            Some((name, label, words)) => {
                FirstWrong { row: at + 1, cell: Some(name), label, words: words.to_owned() }
            }
            None => FirstWrong { row: at + 1, cell: None, label: "", words: row_wide()? },
        })
    }

    /// Records the pieces; those with faults stay on the sheet. Returns the codes of the recorded ones.
    async fn keep(
        &mut self,
        app: &App,
        form: &Form,
        pieces: Vec<Option<NewPiece>>,
    ) -> Result<Vec<String>, Problem> {
        let is_read: Vec<bool> = pieces.iter().map(Option::is_some).collect();
        let pieces: Vec<NewPiece> = pieces.into_iter().flatten().collect();
        if pieces.is_empty() {
            return Ok(Vec::new());
        }
        let finish = FinishPieces { pieces, who: form.caller.who.clone() };
        let mut outcomes = app.run(&form.key, &finish).await?.answer.into_iter();
        let mut codes = Vec::new();
        let mut left = Vec::new();
        for (mut row, is_read) in std::mem::take(&mut self.rows).into_iter().zip(is_read) {
            match if is_read { outcomes.next() } else { None } {
                Some(PieceOutcome::Finished(finished)) => codes.push(finished.item.in_store),
                Some(PieceOutcome::Refused(rejection)) => {
                    let (field, words) = at_field(&rejection);
                    row.faults.add(field, words);
                    left.push(row);
                }
                None => left.push(row),
            }
        }
        self.rows = left;
        Ok(codes)
    }
}

/// Rows from a spreadsheet: one per line, cells separated by tabs, possibly after a row of headings.
fn pasted(text: &str) -> impl Iterator<Item = [String; COLUMNS.len()]> {
    let is_heading = |line: &str| {
        let first = line.split('\t').next().map(cell).unwrap_or_default().to_lowercase();
        [COLUMNS[0].0.to_owned(), COLUMNS[0].1.to_lowercase()].contains(&first)
    };
    // A spreadsheet may have empty rows before the headings too.
    let is_empty = |line: &&str| line.split('\t').all(|text| cell(text).is_empty());
    let mut lines = text.lines().skip_while(is_empty).peekable();
    lines.next_if(|line| is_heading(line));
    lines.map(|line| {
        let mut cells = line.split('\t').map(cell);
        std::array::from_fn(|_| cells.next().unwrap_or_default())
    })
}

/// A cell's value: spreadsheets put quotes around a cell that contains quotes.
fn cell(text: &str) -> String {
    let text = text.trim();
    let inner = text.strip_prefix('"').and_then(|t| t.strip_suffix('"')).filter(|t| !t.is_empty());
    inner.map_or_else(|| text.to_owned(), |inner| inner.replace("\"\"", "\"").trim().to_owned())
}

impl Page {
    /// Whether the focus goes to this cell: it is the first that is wrong.
    #[expect(clippy::trivially_copy_pass_by_ref, reason = "a template passes a reference")]
    fn is_first(&self, row: &usize, cell: &str) -> bool {
        self.first.as_ref().is_some_and(|first| first.row == *row && first.cell == Some(cell))
    }

    async fn new(app: &App, caller: &Caller, sheet: Sheet) -> Result<Self, Problem> {
        let frame = Frame::new(app, caller, Room::Workbench);
        let styles = app.ledger.styles().await?;
        let tags = tags::address_of_new(&sheet.kept, &sheet.tare);
        let first = sheet.first_wrong();
        Ok(Self { frame, styles, tags, first, sheet, unit: app.ledger.shop().unit.plural() })
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::send;
    use super::*;
    use crate::testing::TestShop;

    async fn pieces(shop: &TestShop) -> usize {
        shop.ledger().items(None, "", 200).await.expect("items").len()
    }

    #[test]
    fn a_spreadsheet_is_read_cell_by_cell() {
        let check = |text: &str, expected: &[&[&str]]| {
            let read: Vec<Vec<String>> = pasted(text)
                .map(|row| {
                    let end = row.iter().rposition(|cell| !cell.is_empty()).map_or(0, |at| at + 1);
                    row[..end].to_vec()
                })
                .collect();
            assert_eq!(read, expected, "{text:?}");
        };
        check("", &[]);
        check(
            "6.35 oz\tMoor cowl\tL\tfawn\n6 oz\tMoor cowl",
            &[&["6.35 oz", "Moor cowl", "L", "fawn"], &["6 oz", "Moor cowl"]],
        );
        check("weight\tstyle\r\n6 oz\tMoor cowl\r\n", &[&["6 oz", "Moor cowl"]]);
        check("Scale reading\tStyle\n6 oz", &[&["6 oz"]]);
        // Rows whose cells are all empty may be anywhere; the sheet leaves them out.
        check("\t\n \t \nweight\tstyle\n6 oz", &[&["6 oz"]]);
        check("6 oz\t\"fawn \"\"and\"\" white\"", &[&["6 oz", "fawn \"and\" white"]]);
        check("6 oz\tMoor cowl\n\"\t\"", &[&["6 oz", "Moor cowl"], &["\"", "\""]]);
        check("\n6 oz", &[&["6 oz"]]);
    }

    #[tokio::test]
    async fn twenty_empty_rows_wait() {
        let shop = TestShop::open().await;
        let page = shop.get("/workbench/sheet").await;
        assert_eq!(page.status, 200);
        assert_eq!(page.text().matches("name=\"weight\"").count(), 20, "{}", page.text());
    }

    #[tokio::test]
    async fn right_rows_are_kept_and_wrong_ones_stay_with_their_faults() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let row = |weight: &'static str, style: &'static str, note: &'static str| {
            [("weight", weight), ("style", style), ("note", note)]
        };
        let rows = [
            row("6.35 oz", "Moor cowl", ""),
            row("six", "Moor cowl", "kept as typed"),
            row("", "", ""),
            row("5.9 oz", "\"", ""),
            row("6 oz", "No such style", ""),
            row("6 oz", "Moor cowl", "4000 0000 0000 0002"),
        ];
        let reply = send(&shop, "/workbench/sheet", &rows.concat()).await;
        assert_eq!(reply.status, 422, "{}", reply.text());
        assert_eq!(pieces(&shop).await, before + 2);
        let page = reply.text();
        assert_eq!(page.matches("name=\"weight\"").count(), 3, "{page}");
        for words in [
            "“six” is not a weight",
            "kept as typed",
            "There is no style “No such style”",
            "This looks like a payment card",
            "2 pieces were saved",
        ] {
            assert!(page.contains(words), "{words} in {page}");
        }
        let tags = page.split("href=\"/workbench/tags?pieces=").nth(1).and_then(|t| t.split('"').next());
        assert_eq!(tags.expect("tags").split(',').count(), 2);
    }

    #[tokio::test]
    async fn both_buttons_check_the_same_and_name_the_first_fault() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let row = |weight: &'static str, price: &'static str, reason: &'static str, note: &'static str| {
            [("weight", weight), ("style", "Moor cowl"), ("price", price), ("reason", reason), ("note", note)]
        };
        let (fine, card) = (row("6.35 oz", "", "", ""), "4000 0000 0000 0002");
        for (wrong, first) in [
            (
                row("six", "", "", ""),
                "Row 2, <a href=\"#cell-2-weight\">Scale reading</a>: “six” is not a weight",
            ),
            (row("6 oz", "40.00", "", ""), "Row 2, <a href=\"#cell-2-reason\">Reason</a>"),
            (
                row("6 oz", "", "", card),
                "Row 2, <a href=\"#cell-2-note\">Note</a>: This looks like a payment card",
            ),
        ] {
            let fields = [&fine[..], &wrong[..], &wrong[..]].concat();
            let checked = send(&shop, "/workbench/sheet", &[&fields[..], &[("check", "1")]].concat()).await;
            assert_eq!(checked.status, 422, "{}", checked.text());
            assert!(checked.text().contains(first), "{first} in {}", checked.text());
            assert_eq!(pieces(&shop).await, before, "nothing is recorded by checking");
            let saved = send(&shop, "/workbench/sheet", &[&wrong[..], &wrong[..]].concat()).await;
            assert_eq!(saved.status, 422);
            let first = first.replace('2', "1");
            let first = first.split(card.replace('2', "1").as_str()).next().expect("words");
            assert!(saved.text().contains(first), "{first} in {}", saved.text());
        }
    }

    #[tokio::test]
    async fn an_unusual_weight_is_pointed_out_before_it_is_saved() {
        let shop = TestShop::open().await;
        let usual: Vec<(&str, &str)> = ["6 oz", "6.1 oz", "6.2 oz", "6.3 oz", "6.4 oz"]
            .iter()
            .flat_map(|w| [("weight", *w), ("style", "Moor cowl")])
            .collect();
        assert_eq!(send(&shop, "/workbench/sheet", &usual).await.status, 303);
        let odd = [
            ("weight", "6.2 oz"),
            ("style", "Moor cowl"),
            ("weight", "62 oz"),
            ("style", "Moor cowl"),
            ("check", "1"),
        ];
        let checked = send(&shop, "/workbench/sheet", &odd).await;
        assert_eq!(checked.status, 200, "a warning is no fault: {}", checked.text());
        let words = "Row 2: check the scale reading. Other pieces of this style weigh";
        assert!(checked.text().contains(words), "{}", checked.text());
        assert!(!checked.text().contains("Row 1: check"), "{}", checked.text());
        // Saving warns too, once, and saves nothing before.
        let before = pieces(&shop).await;
        let saved = send(&shop, "/workbench/sheet", &odd[..4]).await;
        assert_eq!((saved.status, pieces(&shop).await), (422, before), "{}", saved.text());
        for words in ["Nothing is saved yet", words, "name=\"seen\" value=\"62 oz\""] {
            assert!(saved.text().contains(words), "{words} in {}", saved.text());
        }
        let seen = [&odd[..4], &[("seen", "62 oz")]].concat();
        assert_eq!(send(&shop, "/workbench/sheet", &seen).await.status, 303);
        assert_eq!(pieces(&shop).await, before + 2);
    }

    #[tokio::test]
    async fn sent_twice_the_sheet_is_kept_once() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let rows = [
            ("_key", "sheet-1"),
            ("weight", "6 oz"),
            ("style", "Moor cowl"),
            ("weight", "7 oz"),
            ("style", "\""),
        ];
        let first = send(&shop, "/workbench/sheet", &rows).await;
        let again = send(&shop, "/workbench/sheet", &rows).await;
        assert_eq!((first.status, first.header("location")), (303, again.header("location")));
        assert_eq!(pieces(&shop).await, before + 2);
    }

    #[tokio::test]
    async fn what_is_pasted_is_laid_out_priced_and_kept_when_told() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let pasted = "weight\tstyle\tsize\tcolours\n6.35 oz\tMoor cowl\tL\tfawn\n7 oz\t\"\t\"\tmoss";
        let laid = send(&shop, "/workbench/sheet", &[("pasted", pasted), ("lay", "")]).await;
        assert_eq!(laid.status, 200, "{}", laid.text());
        assert_eq!(laid.text().matches("name=\"weight\"").count(), 2);
        assert!(laid.text().contains("value=\"moss\""), "{}", laid.text());
        let checked = send(&shop, "/workbench/sheet", &[("pasted", pasted), ("check", "")]).await;
        // 6.35 × 7.50 = 47.63, which rounds to 48; 7 × 7.50 = 52.50, which rounds to 53, since ties go up.
        for price in ["48.00", "53.00"] {
            assert!(checked.text().contains(price), "{price} in {}", checked.text());
        }
        assert_eq!(pieces(&shop).await, before);
        let kept = send(&shop, "/workbench/sheet", &[("pasted", pasted)]).await;
        assert_eq!((kept.status, pieces(&shop).await), (303, before + 2), "{}", kept.text());
    }

    #[tokio::test]
    async fn nothing_or_too_much_is_refused_whole() {
        let shop = TestShop::open().await;
        let before = pieces(&shop).await;
        let check = |fields: Vec<(&'static str, String)>, words: &'static str| {
            let shop = &shop;
            async move {
                let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (*n, v.as_str())).collect();
                let reply = send(shop, "/workbench/sheet", &fields).await;
                assert_eq!(reply.status, 422, "{}", reply.text());
                assert!(reply.text().contains(words), "{words} in {}", reply.text());
            }
        };
        check(Vec::new(), "The table is empty").await;
        check(vec![("weight", " ".to_owned())], "The table is empty").await;
        check(vec![("pasted", "6 oz\tMoor cowl\n".repeat(101))], "at most 100 rows, and these are 101").await;
        check(vec![("style", "\"".to_owned())], "There is no row above").await;
        assert_eq!(pieces(&shop).await, before);
    }

    #[tokio::test]
    async fn one_bowl_is_taken_off_every_row() {
        let shop = TestShop::open().await;
        let rows = [("tare", "2.1 oz"), ("weight", "8.45 oz"), ("style", "Moor cowl")];
        let reply = send(&shop, "/workbench/sheet", &rows).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
        let latest = shop.ledger().items(None, "", 1).await.expect("items").remove(0);
        assert_eq!(latest.weight.map(|w| w.to_string()).as_deref(), Some("6.35 oz"));
    }
}
