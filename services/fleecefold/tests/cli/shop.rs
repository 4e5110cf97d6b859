//! A shop in a temporary place, and runs of the binary on it.
//!
//! `FLEECEFOLD_TEST_PG` is the address of a PostgreSQL superuser; with it each test also runs there, on
//! a database of its own.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use tempfile::TempDir;

/// Pieces, counted goods and goods by weight. 952 is GS1's prefix for demonstrations (gs1.org, list of company prefixes).
pub(crate) const ITEMS: &str = "name,sku,gtin13,kind,offers.price,quantity,quantity.unitCode,cost\n\
    Ridge beanie,B1,,,48.00,,,20\n\
    Moor cowl,C1,,,60.00,,,25\n\
    Loom kit,KIT,,,35.00,3,,15\n\
    Grey roving,ROV,,,3.25,40,ONZ,1\n\
    Book of knots,BOOK,9521234543213,counted,12.00,2,,\n";

pub(crate) const ORDERS: &str = "orderNumber,orderDate,sku,orderQuantity,price,shipping\n\
    1,2026-06-14,B1,1,48.00,4.50\n1,2026-06-14,KIT,2,35.00,\n2,2026-06-15,ROV,2.5,3.25,\n";

/// The result of a run.
pub(crate) struct Ran {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

pub(crate) struct Place {
    pub(crate) folder: TempDir,
    pub(crate) url: String,
    server: Option<(String, String)>,
}

impl Place {
    /// One on each available engine.
    pub(crate) fn all() -> Vec<Self> {
        let mut places = vec![Self::sqlite()];
        places.extend(std::env::var("FLEECEFOLD_TEST_PG").ok().map(|server| Self::postgres(&server)));
        places
    }

    pub(crate) fn sqlite() -> Self {
        Self { folder: tempfile::tempdir().unwrap(), url: "sqlite:shop.db".to_owned(), server: None }
    }

    fn postgres(server: &str) -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let name = format!("cli_{}_{}", std::process::id(), NEXT.fetch_add(1, Ordering::SeqCst));
        psql(server, &format!("CREATE DATABASE {name}"));
        let (host, _) = server.rsplit_once('/').expect("the address ends with a database");
        let url = format!("{host}/{name}");
        Self { folder: tempfile::tempdir().unwrap(), url, server: Some((server.to_owned(), name)) }
    }

    /// With [`ITEMS`] in stock.
    pub(crate) fn stocked(self) -> Self {
        self.put("items.csv", ITEMS);
        self.run(&["add", "items", "items.csv"]).expect(0);
        self
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn put(&self, name: &str, text: impl AsRef<[u8]>) {
        if let Some(folder) = Path::new(name).parent() {
            fs::create_dir_all(self.path("").join(folder)).unwrap();
        }
        fs::write(self.path(name), text).unwrap();
    }

    pub(crate) fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap()
    }

    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_fleecefold"));
        command.args(arguments).current_dir(self.folder.path());
        command.env("FLEECEFOLD_DB", &self.url).env_remove("RUST_LOG");
        command.env("FLEECEFOLD_KEYS", self.path("token.keys"));
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// An owner's token.
    pub(crate) fn token(&self) -> String {
        self.run(&["token", "add", "test", "--role", "owner"]).expect(0).out.trim().to_owned()
    }

    pub(crate) fn run(&self, arguments: &[&str]) -> Ran {
        Ran::of(&self.command(arguments).output().unwrap())
    }

    pub(crate) fn run_with_stdin(&self, arguments: &[&str], text: &str) -> Ran {
        let mut child = self.command(arguments).stdin(Stdio::piped()).spawn().unwrap();
        // A wrong command line is refused before anything is read.
        let written = child.stdin.take().unwrap().write_all(text.as_bytes());
        assert!(!written.is_err_and(|error| error.kind() != std::io::ErrorKind::BrokenPipe), "{arguments:?}");
        Ran::of(&child.wait_with_output().unwrap())
    }

    pub(crate) fn start(&self, arguments: &[&str]) -> Child {
        self.command(arguments).spawn().unwrap()
    }

    /// “on hand, held” of an item without a style.
    pub(crate) fn stock(&self, name: &str) -> String {
        let shelf = self.run(&["shelf", "--format", "csv"]).expect(0).out;
        let row =
            shelf.lines().find(|line| line.starts_with(name)).unwrap_or_else(|| panic!("{name}: {shelf}"));
        let cells: Vec<&str> = row.split(',').collect();
        format!("{} {}", cells[5], cells[6])
    }

    /// The number of rows on the shelf.
    pub(crate) fn kinds(&self) -> usize {
        self.run(&["shelf", "--format", "csv"]).expect(0).out.lines().count() - 1
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        if let Some((server, name)) = &self.server {
            psql(server, &format!("DROP DATABASE {name} WITH (FORCE)"));
        }
    }
}

fn psql(server: &str, text: &str) {
    let ran =
        Command::new("psql").args([server, "-qc", text]).output().expect("psql stands beside PostgreSQL");
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
}

impl Ran {
    pub(crate) fn of(output: &Output) -> Self {
        Self {
            code: output.status.code().unwrap_or(-1),
            out: String::from_utf8(output.stdout.clone()).unwrap(),
            err: String::from_utf8(output.stderr.clone()).unwrap(),
        }
    }

    /// Asserts the exit code.
    #[track_caller]
    pub(crate) fn expect(self, code: i32) -> Self {
        assert_eq!(self.code, code, "stdout: {}\nstderr: {}", self.out, self.err);
        self
    }

    /// Asserts that the messages for people contain this.
    #[track_caller]
    pub(crate) fn told(self, words: &str) -> Self {
        assert!(self.err.contains(words), "“{words}” is not in: {}", self.err);
        self
    }
}
