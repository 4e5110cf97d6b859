//! The rules of the workspace: which package may depend on which, and where SQL may be.
//!
//! They are functions from the output of `cargo metadata`, or from source text, to a list of violations, so
//! that the test can also show that a violation is found.

use serde_json::Value;
use std::path::{Path, PathBuf};

/// For each package, all packages of the workspace on which it may depend.
pub const ARROWS: &[(&str, &[&str])] = &[
    ("fleecefold", &["till", "sync", "words", "ledger", "feeds", "domain", "pretend"]),
    ("till", &["words", "ledger", "feeds", "domain"]),
    ("sync", &["words", "ledger", "feeds", "domain"]),
    ("words", &["ledger", "domain"]),
    ("ledger", &["domain"]),
    ("feeds", &["domain"]),
    ("domain", &[]),
    // For the rest of the workspace this is somebody else's shop.
    ("pretend", &[]),
];

/// The folder of packages that test the program from outside: they may depend on everything, and nothing may
/// depend on them.
pub const OUTSIDE: &str = "tests";

/// The only package that talks to a database.
pub const DATABASE_DOOR: &str = "ledger";

/// Database crates that no other package may depend on.
pub const DATABASE_CRATES: &[&str] =
    &["sqlx", "sqlx-core", "sqlx-sqlite", "sqlx-postgres", "rusqlite", "libsqlite3-sys", "tokio-postgres"];

/// Crates on which a package must not depend, because each would bring in another's work, such as a runtime and
/// sockets, a file format, or the command line.
pub const STRANGERS: &[(&str, &[&str])] = &[
    ("domain", &["tokio", "axum", "hyper", "csv", "toml", "serde_json", "tracing", "rand"]),
    ("feeds", &["tokio", "axum", "hyper", "reqwest", "tracing", "rand"]),
    ("ledger", &["axum", "hyper", "csv", "toml", "encoding_rs", "utoipa", "clap", "indicatif"]),
    ("till", &["csv", "toml", "encoding_rs", "clap", "indicatif"]),
    ("sync", &["csv", "toml", "encoding_rs", "clap", "indicatif", "axum", "utoipa"]),
];

/// Words that must not be in the code of `feeds`, and the one file in which each is allowed: a feed is
/// published as a file there, and everything else is bytes in memory.
pub const NOT_IN_FEEDS: &[(&str, Option<&str>)] =
    &[("std::net", None), ("std::env", None), ("std::thread", None), ("std::fs", Some("publish.rs"))];

/// Why the rules could not be checked.
#[derive(Debug, thiserror::Error)]
pub enum HouseError {
    /// A file or folder could not be read.
    #[error("{} could not be read", path.display())]
    Unreadable {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    /// `cargo metadata` returned something unexpected.
    #[error("cargo metadata has no {what}")]
    Metadata { what: &'static str },
}

/// A package of the workspace, with all of its dependencies, including those for tests and builds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Package {
    pub name: String,
    /// The folder of its manifest, relative to the workspace.
    pub folder: PathBuf,
    /// The names of the packages that it depends on.
    pub knows: Vec<String>,
}

impl Package {
    fn is_outside(&self) -> bool {
        self.folder.starts_with(OUTSIDE)
    }
}

/// The workspace's packages, from the JSON of `cargo metadata --no-deps`.
pub fn packages(metadata: &Value) -> Result<Vec<Package>, HouseError> {
    let text = |value: &Value, what| value.as_str().map(str::to_owned).ok_or(HouseError::Metadata { what });
    let root = PathBuf::from(text(&metadata["workspace_root"], "workspace_root")?);
    let listed = metadata["packages"].as_array().ok_or(HouseError::Metadata { what: "packages" })?;
    listed
        .iter()
        .map(|package| {
            let manifest = PathBuf::from(text(&package["manifest_path"], "manifest_path")?);
            let folder = manifest.parent().and_then(|f| f.strip_prefix(&root).ok());
            let needs = package["dependencies"].as_array();
            Ok(Package {
                name: text(&package["name"], "name")?,
                folder: folder.ok_or(HouseError::Metadata { what: "manifest below its root" })?.to_owned(),
                knows: needs
                    .ok_or(HouseError::Metadata { what: "dependencies" })?
                    .iter()
                    .filter(|need| !is_for_its_tests(need))
                    .map(|need| text(&need["name"], "dependency name"))
                    .collect::<Result<_, _>>()?,
            })
        })
        .collect()
}

/// What the tests of several packages share: they may use it, the packages themselves may not.
const TESTKIT: &str = "testkit";

fn is_for_its_tests(need: &Value) -> bool {
    need["name"] == TESTKIT && need["kind"] == "dev"
}

/// Every dependency that [`ARROWS`] does not allow, and every package that is missing there.
pub fn broken_arrows(packages: &[Package]) -> Vec<String> {
    let rooms: Vec<&str> = packages.iter().map(|p| p.name.as_str()).collect();
    let mut broken = Vec::new();
    for package in packages.iter().filter(|p| !p.is_outside()) {
        let Some((_, allowed)) = ARROWS.iter().find(|(name, _)| *name == package.name) else {
            broken.push(format!("{} has no place in the house", package.name));
            continue;
        };
        for known in package.knows.iter().filter(|k| rooms.contains(&k.as_str())) {
            if !allowed.contains(&known.as_str()) {
                broken.push(format!("{} must not know {known}", package.name));
            }
        }
    }
    broken
}

/// Every package other than [`DATABASE_DOOR`] that depends on a database crate.
pub fn second_doors(packages: &[Package]) -> Vec<String> {
    let others = packages.iter().filter(|p| p.name != DATABASE_DOOR && !p.is_outside());
    others
        .flat_map(|package| {
            let crates = package.knows.iter().filter(|k| DATABASE_CRATES.contains(&k.as_str()));
            crates.map(|k| format!("{} must not know {k}", package.name))
        })
        .collect()
}

/// Every package that depends on one of its [`STRANGERS`].
pub fn known_strangers(packages: &[Package]) -> Vec<String> {
    let strange = |package: &Package| {
        let of_it = STRANGERS.iter().filter(|(name, _)| *name == package.name).flat_map(|(_, s)| *s);
        let known = of_it.filter(|s| package.knows.iter().any(|k| k == *s));
        known.map(|s| format!("{} must not know {s}", package.name)).collect::<Vec<_>>()
    };
    packages.iter().flat_map(strange).collect()
}

/// The words of [`NOT_IN_FEEDS`] in the source text of a file. Comments do not count.
pub fn not_in_feeds(file: &str, source: &str) -> Vec<&'static str> {
    let code: Vec<&str> = source.lines().map(|l| l.split("//").next().unwrap_or(l)).collect();
    let here = NOT_IN_FEEDS.iter().filter(|(_, but)| *but != Some(file));
    here.map(|(word, _)| *word).filter(|word| code.iter().any(|line| line.contains(word))).collect()
}

/// SQL statements in source text: how one begins, and what must follow on a later line (English has “select”
/// and “update” too).
const STATEMENTS: &[(&str, &str)] = &[
    ("INSERT INTO ", "VALUES"),
    ("SELECT ", "FROM "),
    ("UPDATE ", "SET "),
    ("DELETE FROM ", ""),
    ("CREATE TABLE ", ""),
    ("ALTER TABLE ", ""),
    ("DROP TABLE ", ""),
];

/// The lines of a source text on which an SQL statement begins, from 1. Comments do not count.
pub fn sql_lines(source: &str) -> Vec<usize> {
    /// A statement's second keyword follows within this many lines.
    const WITHIN: usize = 12;
    let lines: Vec<&str> = source.lines().map(|l| l.split("//").next().unwrap_or(l)).collect();
    let begins = |at: usize| {
        STATEMENTS.iter().any(|(first, second)| {
            let rest = lines[at..].iter().take(WITHIN).copied().collect::<Vec<_>>().join("\n");
            rest.split_once(first)
                .is_some_and(|(before, after)| !before.contains('\n') && after.contains(second))
        })
    };
    (0..lines.len()).filter(|at| begins(*at)).map(|at| at + 1).collect()
}

/// Every Rust file below a folder, in order of path.
pub fn rust_files(folder: &Path) -> Result<Vec<PathBuf>, HouseError> {
    let unreadable = |source| HouseError::Unreadable { path: folder.to_owned(), source };
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let path = entry.map_err(unreadable)?.path();
        if path.is_dir() {
            found.extend(rust_files(&path)?);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

pub fn read(path: &Path) -> Result<String, HouseError> {
    std::fs::read_to_string(path).map_err(|source| HouseError::Unreadable { path: path.to_owned(), source })
}
