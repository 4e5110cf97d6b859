//! Tables: aligned for people, CSV or JSON for programs.

use crate::exit_status::CliError;
use clap::ValueEnum;
use serde::{Serialize, Serializer};
use std::borrow::Cow;
use std::io::{self, Write};

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum TableForm {
    /// Aligned columns for people
    Table,
    /// CSV with a heading (RFC 4180)
    Csv,
    /// JSON: one object with rows, amounts as text
    Json,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Column {
    /// Heading in CSV and member name in JSON.
    pub(crate) name: &'static str,
    /// Heading in an aligned table.
    pub(crate) heading: &'static str,
    /// Aligned to the right.
    pub(crate) is_number: bool,
}

impl Column {
    pub(crate) const fn words(name: &'static str) -> Self {
        Self { name, heading: name, is_number: false }
    }

    pub(crate) const fn number(name: &'static str) -> Self {
        Self { name, heading: name, is_number: true }
    }

    pub(crate) const fn headed(self, heading: &'static str) -> Self {
        Self { heading, ..self }
    }
}

/// Rows of cells; a cell that is `None` is empty, or null in JSON.
pub(crate) struct Table {
    pub(crate) columns: Vec<Column>,
    pub(crate) rows: Vec<Vec<Option<String>>>,
    /// A last row, in the aligned form only.
    pub(crate) total: Option<Vec<Option<String>>>,
}

impl Table {
    pub(crate) fn print(&self, form: TableForm) -> Result<(), CliError> {
        let mut out = io::stdout().lock();
        let printed = match form {
            TableForm::Table => self.write_aligned(&mut out),
            TableForm::Csv => self.write_csv(&mut out),
            TableForm::Json => self.write_json(&mut out),
        };
        printed.and_then(|()| out.flush()).map_err(CliError::Stdout)
    }

    fn write_aligned(&self, out: &mut impl Write) -> io::Result<()> {
        let all = || self.rows.iter().chain(&self.total);
        let widest = |at: usize, column: &Column| {
            let cells = all().filter_map(|row| row.get(at)?.as_deref()).map(width);
            cells.chain([width(column.heading)]).max().unwrap_or(0)
        };
        let widths: Vec<usize> = self.columns.iter().enumerate().map(|(at, c)| widest(at, c)).collect();
        let line = |cells: &mut dyn Iterator<Item = &str>| {
            let parts = self.columns.iter().zip(&widths).zip(cells).map(|((column, wide), cell)| {
                let gap = " ".repeat(wide - width(cell));
                if column.is_number { format!("{gap}{cell}") } else { format!("{cell}{gap}") }
            });
            parts.collect::<Vec<_>>().join("  ").trim_end().to_owned()
        };
        let rule: Vec<String> = widths.iter().map(|w| "-".repeat(*w)).collect();
        let rule = line(&mut rule.iter().map(String::as_str));
        writeln!(out, "{}", line(&mut self.columns.iter().map(|c| c.heading)))?;
        writeln!(out, "{rule}")?;
        for row in &self.rows {
            writeln!(out, "{}", line(&mut row.iter().map(|cell| cell.as_deref().unwrap_or_default())))?;
        }
        if let Some(total) = &self.total {
            writeln!(out, "{rule}")?;
            writeln!(out, "{}", line(&mut total.iter().map(|cell| cell.as_deref().unwrap_or_default())))?;
        }
        Ok(())
    }

    fn write_csv(&self, out: &mut impl Write) -> io::Result<()> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record(self.columns.iter().map(|c| c.name)).map_err(io::Error::from)?;
        for row in &self.rows {
            let cells = self.columns.iter().zip(row).map(|(column, cell)| {
                let text = cell.as_deref().unwrap_or_default();
                // A spreadsheet would run a name that looks like a formula (OWASP ASVS 5.0.0, 1.2.10).
                if column.is_number { Cow::Borrowed(text) } else { feeds::guard(text) }
            });
            csv.write_record(cells.map(|cell| cell.as_bytes().to_vec())).map_err(io::Error::from)?;
        }
        csv.flush()
    }

    fn write_json(&self, out: &mut impl Write) -> io::Result<()> {
        #[derive(Serialize)]
        struct Shown<'a> {
            rows: Vec<Row<'a>>,
        }
        let rows = self.rows.iter().map(|cells| Row { columns: &self.columns, cells }).collect();
        serde_json::to_writer_pretty(&mut *out, &Shown { rows })?;
        out.write_all(b"\n")
    }
}

/// A row as an object with its members in the order of the columns.
struct Row<'a> {
    columns: &'a [Column],
    cells: &'a [Option<String>],
}

impl Serialize for Row<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.columns.iter().map(|c| c.name).zip(self.cells))
    }
}

/// Width in columns, one for each character; combining marks take less room, which is rare in a shop's names.
fn width(text: &str) -> usize {
    text.chars().count()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        let cell = |text: &str| Some(text.to_owned());
        Table {
            columns: vec![Column::words("color"), Column::number("onHand").headed("on hand")],
            rows: vec![vec![cell("grün"), cell("12")], vec![cell("a, \"b\""), None]],
            total: Some(vec![None, cell("12")]),
        }
    }

    fn check(written: impl FnOnce(&Table, &mut Vec<u8>) -> io::Result<()>, expected: &str) {
        let mut out = Vec::new();
        written(&table(), &mut out).unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }

    #[test]
    fn a_text_is_never_a_formula_and_a_number_stays_one() {
        let check = |text: &str, number: &str, expected: &str| {
            let rows = vec![vec![Some(text.to_owned()), Some(number.to_owned())]];
            let table = Table { rows, total: None, ..table() };
            let mut out = Vec::new();
            table.write_csv(&mut out).unwrap();
            assert_eq!(String::from_utf8(out).unwrap(), format!("color,onHand\n{expected}\n"));
        };
        // OWASP, CSV Injection: =, +, -, @, tab and carriage return; ASVS 5.0.0, 1.2.10: NUL.
        check("=1+2", "-1", "'=1+2,-1");
        check("+44", "2", "'+44,2");
        check("-Birch", "-0.50", "'-Birch,-0.50");
        check("@felt", "1", "'@felt,1");
        check("\tx", "1", "'\tx,1");
        check("\rx", "1", "\"'\rx\",1");
        check("\0x", "1", "'\0x,1");
        check("grey", "1", "grey,1");
    }

    #[test]
    fn three_forms_of_one_table() {
        check(
            Table::write_aligned,
            "color   on hand\n------  -------\ngrün         12\na, \"b\"\n------  -------\n             12\n",
        );
        check(Table::write_csv, "color,onHand\ngrün,12\n\"a, \"\"b\"\"\",\n");
        let rows = r#"{"rows":[{"color":"grün","onHand":"12"},{"color":"a, \"b\"","onHand":null}]}"#;
        let mut out = Vec::new();
        table().write_json(&mut out).unwrap();
        let packed: String = String::from_utf8(out).unwrap().lines().map(str::trim_start).collect();
        assert_eq!(packed.replace("\": ", "\":"), rows);
    }
}
