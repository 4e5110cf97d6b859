//! A shop in a temporary place, and runs of the binary on it.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use testkit::{Engine, Ground, engines};

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
    pub(crate) ground: Ground,
    pub(crate) url: String,
}

impl Place {
    /// One on each engine under test.
    pub(crate) fn all() -> Vec<Self> {
        let of = |engine| match engine {
            Engine::Sqlite => Self::sqlite(),
            Engine::Postgres => {
                let ground = Ground::new(engine);
                Self { url: ground.url.clone(), ground }
            }
        };
        engines().into_iter().map(of).collect()
    }

    /// By a path as people type it, from the folder of the command.
    pub(crate) fn sqlite() -> Self {
        Self { ground: Ground::new(Engine::Sqlite), url: "sqlite:shop.db".to_owned() }
    }

    /// With [`ITEMS`] in stock.
    pub(crate) fn stocked(self) -> Self {
        self.put("items.csv", ITEMS);
        self.run(&["add", "items", "items.csv"]).expect(0);
        self
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.ground.path(name)
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
        command.args(arguments).current_dir(self.ground.folder.path());
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
