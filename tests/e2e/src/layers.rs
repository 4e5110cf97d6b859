//! The layers of a package's modules, and which of them may use which: dependencies run one way, in `use` lines
//! and paths.
//!
//! A layer may use only those before it in its list, so there can be no cycle. Within a layer there are no
//! limits. As in [`crate::house`], each rule is a function from source text to a list of violations.

use std::collections::BTreeSet;

/// Modules on the same level.
#[derive(Clone, Copy, Debug)]
pub struct Layer {
    pub name: &'static str,
    pub modules: &'static [&'static str],
    /// The layers that it may use besides itself.
    pub knows: &'static [&'static str],
}

/// The modules in one folder of a package, lowest first.
#[derive(Clone, Copy, Debug)]
pub struct Layered {
    /// The package's sources, relative to the workspace's root.
    pub sources: &'static str,
    /// The module whose children these are; none for the crate's root.
    pub within: &'static [&'static str],
    pub layers: &'static [Layer],
}

const fn layer(
    name: &'static str,
    modules: &'static [&'static str],
    knows: &'static [&'static str],
) -> Layer {
    Layer { name, modules, knows }
}

/// Every folder with an order of its own. The ledger's is in [`crate::rooms`].
pub const LAYERED: &[Layered] = &[TILL, PAGES, SYNC, CONNECTIONS, FEEDS];

/// The HTTP service.
pub const TILL: Layered = Layered {
    sources: "services/till/src",
    within: &[],
    layers: &[
        layer("problem", &["problem"], &[]),
        layer("adapters", &["feed_adapter", "connection_adapter"], &[]),
        layer("security", &["security"], &["problem"]),
        layer("images", &["images"], &["security"]),
        layer("meters", &["meters"], &[]),
        layer("traffic", &["traffic"], &["problem"]),
        layer("app", &["app"], &["problem", "adapters", "security", "images", "meters", "traffic"]),
        layer("request", &["request"], &["problem", "security", "traffic", "app"]),
        layer("health", &["health"], &["problem", "app", "request"]),
        layer("hooks", &["hooks"], &["problem", "adapters", "app", "request"]),
        layer("api", &["api"], &["problem", "adapters", "meters", "app", "request", "health"]),
        layer(
            "pages",
            &["pages"],
            &["problem", "adapters", "security", "images", "meters", "traffic", "app", "request"],
        ),
        layer(
            "edge",
            &["edge"],
            &["problem", "security", "traffic", "app", "request", "health", "hooks", "api", "pages"],
        ),
    ],
};

const PARTS: &[&str] = &["parts"];
const SIGN_IN: &[&str] = &["parts", "sign_in"];

/// The pages: one folder per room.
pub const PAGES: Layered = Layered {
    sources: "services/till/src",
    within: &["pages"],
    layers: &[
        layer(
            "parts",
            &[
                "approval",
                "assets",
                "face",
                "form",
                "frame",
                "mask",
                "policy",
                "promised",
                "second_step",
                "shown",
                "takings",
                "upload",
            ],
            &[],
        ),
        layer("pictures", &["pictures"], PARTS),
        layer("wrong", &["wrong"], PARTS),
        layer("sign_in", &["sign_in"], PARTS),
        layer("account", &["account"], SIGN_IN),
        layer("confirm", &["confirm"], SIGN_IN),
        layer("people", &["people"], SIGN_IN),
        layer("setup", &["setup"], SIGN_IN),
        layer("activity", &["activity"], PARTS),
        layer("books", &["books"], PARTS),
        layer("customers", &["customers"], PARTS),
        layer("counter", &["counter"], &["parts", "customers"]),
        layer("herd", &["herd"], PARTS),
        layer("online", &["online"], PARTS),
        layer("settings", &["settings"], PARTS),
        layer("workbench", &["workbench"], PARTS),
        layer("shelf", &["shelf"], &["parts", "workbench"]),
        layer("today", &["today"], &["parts", "books", "online", "shelf"]),
    ],
};

/// The exchange with online shops.
pub const SYNC: Layered = Layered {
    sources: "services/sync/src",
    within: &[],
    layers: &[
        layer("tools", &["chain", "config", "pictures", "pipe", "spool", "watch"], &[]),
        layer("exchange", &["exchange"], &["tools"]),
        layer("folders", &["folders"], &["tools", "exchange"]),
        layer("connections", &["connections"], &["tools", "exchange"]),
    ],
};

/// Live connections. The work of a cycle is one layer, because its steps call each other.
pub const CONNECTIONS: Layered = Layered {
    sources: "services/sync/src",
    within: &["connections"],
    layers: &[
        layer("wire", &["client", "hosts", "links", "secrets", "tls", "token"], &[]),
        layer("tools", &["lanes", "place", "rate", "rng", "signature", "turned", "understood"], &["wire"]),
        layer(
            "cycle",
            &[
                "by_hand",
                "cycle",
                "deferred",
                "deliver",
                "drain",
                "hooks",
                "intake",
                "look",
                "message",
                "orders",
                "reconcile",
                "results",
                "runtime",
                "theirs",
            ],
            &["wire", "tools"],
        ),
        layer("serve", &["serve"], &["tools", "cycle"]),
    ],
};

/// Bytes to records and back.
pub const FEEDS: Layered = Layered {
    sources: "crates/feeds/src",
    within: &[],
    layers: &[
        layer(
            "text",
            &["cells", "date", "fields", "guard", "hash", "layout_toml", "pointer", "template", "toml_text"],
            &[],
        ),
        layer("layout", &["layout", "layout_extra", "layout_field"], &["text"]),
        layer(
            "reading",
            &[
                "csv_in",
                "csv_row",
                "json_in",
                "json_scan",
                "json_text",
                "record",
                "reject",
                "sniff",
                "source",
                "values",
            ],
            &["text", "layout"],
        ),
        layer(
            "records",
            &[
                "compare",
                "csvw",
                "items",
                "listed",
                "listing",
                "listing_csv",
                "listing_json",
                "listing_units",
                "masked",
                "order_group",
                "orders",
                "styles",
            ],
            &["text", "layout", "reading"],
        ),
        layer(
            "connection",
            &["connection", "json_out", "json_page"],
            &["text", "layout", "reading", "records"],
        ),
        layer("files", &["preview", "publish", "rejects_out"], &["text", "layout", "reading", "records"]),
    ],
};

impl Layered {
    /// The layer of a module of this folder.
    pub fn of(&self, module: &str) -> Option<&'static Layer> {
        self.layers.iter().find(|layer| layer.modules.contains(&module))
    }

    /// The module of this folder to which a file belongs, by its path below the sources; none if it is in
    /// another folder.
    pub fn module_of<'p>(&self, path: &'p str) -> Option<&'p str> {
        let mut parts = module_path(path).into_iter();
        self.within.iter().all(|name| parts.next() == Some(*name)).then(|| parts.next()).flatten()
    }

    /// Layers that use one that is not before them.
    pub fn circles(&self) -> Vec<String> {
        let before = |at: usize, name: &str| self.layers.iter().take(at).any(|layer| layer.name == name);
        let of = |(at, layer): (usize, &Layer)| {
            let wrong = layer.knows.iter().filter(move |name| !before(at, name));
            wrong.map(|name| format!("{} knows {name}", layer.name)).collect::<Vec<_>>()
        };
        self.layers.iter().enumerate().flat_map(of).collect()
    }

    /// Modules of this folder that a file uses though its layer may not.
    pub fn wrong_uses(&self, path: &str, source: &str) -> BTreeSet<String> {
        let Some(own) = self.module_of(path) else { return BTreeSet::new() };
        let Some(layer) = self.of(own) else { return BTreeSet::from([format!("{own} is in no layer")]) };
        let may = |module: &str| {
            self.of(module).is_none_or(|other| other.name == layer.name || layer.knows.contains(&other.name))
        };
        self.named(path, &production(source)).into_iter().filter(|module| !may(module)).collect()
    }

    /// This folder's modules in the text, by full paths and by `super`.
    fn named(&self, path: &str, text: &str) -> BTreeSet<String> {
        let whole = self.within.iter().fold("crate::".to_owned(), |path, name| path + name + "::");
        let mut found: BTreeSet<String> =
            text.match_indices(&whole).flat_map(|(at, _)| first_names(text, at + whole.len())).collect();
        let depth = module_path(path).len();
        if depth > self.within.len() {
            let up = "super::".repeat(depth - self.within.len());
            let at = text.match_indices(&up).map(|(at, _)| at);
            // Not the end of a longer path.
            let own = at.filter(|at| !text.get(..*at).is_some_and(|before| before.ends_with("super::")));
            found.extend(own.flat_map(|at| first_names(text, at + up.len())).filter(|name| name != "super"));
        }
        found
    }
}

/// A file's module, by its path below the sources.
pub fn module_path(path: &str) -> Vec<&str> {
    let mut parts: Vec<&str> = path.trim_end_matches(".rs").split('/').collect();
    if matches!(parts.as_slice(), [.., "mod"] | ["lib" | "main"]) {
        parts.pop();
    }
    parts
}

/// The name at a position in the text, or the first name of each path in the braces there.
fn first_names(text: &str, at: usize) -> Vec<String> {
    let rest = text.get(at..).unwrap_or_default();
    let name = |text: &str| text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
    let Some(group) = rest.strip_prefix('{') else { return vec![name(rest)] };
    let mut names = Vec::new();
    let (mut depth, mut word) = (0, String::new());
    for c in group.chars() {
        match c {
            '}' if depth == 0 => break,
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 0 => names.push(name(std::mem::take(&mut word).trim())),
            c if depth == 0 => word.push(c),
            _ => {}
        }
    }
    names.push(name(word.trim()));
    names.retain(|name| !name.is_empty());
    names
}

/// The text without comments and without what is compiled only for tests.
fn production(source: &str) -> String {
    let mut kept = String::new();
    let mut lines = source.lines();
    while let Some(line) = lines.next() {
        if line.trim() == "#[cfg(test)]" {
            match lines.next() {
                // A module of tests is at the end of its file.
                Some(tests) if tests.ends_with('{') && tests.contains("mod ") => break,
                _ => continue,
            }
        }
        if !line.trim_start().starts_with("//") {
            kept.push_str(line);
            kept.push('\n');
        }
    }
    kept
}

/// The modules of a file that are compiled only for tests, as paths below the sources without extension.
pub fn test_modules(path: &str, source: &str) -> Vec<String> {
    let lines: Vec<&str> = source.lines().collect();
    let declared = lines.windows(2).filter(|pair| pair.first() == Some(&"#[cfg(test)]"));
    let name = |pair: &[&str]| {
        let line = pair.get(1)?.strip_suffix(';')?;
        line.rsplit_once("mod ").map(|(_, name)| name.to_owned())
    };
    let parent = module_path(path);
    declared.filter_map(name).map(|name| [parent.as_slice(), &[name.as_str()]].concat().join("/")).collect()
}
