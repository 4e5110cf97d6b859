//! The text of a listing, written from a template (minijinja) and what the shop knows of the piece.
//!
//! A template is a person's text, and is kept within bounds all the same: how much it may compute,
//! how long what it writes may be. A name that a piece does not have is an error, never a gap.

use domain::text::MAX_NOTE_CHARS;
use ledger::{ItemView, Shop};
use minijinja::{AutoEscape, Environment, Error, ErrorKind, Template, UndefinedBehavior, Value};
use std::io::{self, Write};

/// What is kept under which name, and where a new shop begins.
pub(crate) const NAME: &str = "listing";
pub(crate) const FIRST: &str = "\
{{ name }}{% if size %}, size {{ size }}{% endif %}.
{% if colours %}Colour: {{ colours | join(\", \") }}.
{% endif -%}
{% if material %}Made of {{ material }}.
{% endif -%}
{% if weight %}It weighs {{ weight }}, and there is only this one.
{% endif -%}
Made by hand at {{ shop }}.
";
/// The longest template: a listing's text has a tenth of it.
pub(crate) const MAX_TEMPLATE_CHARS: usize = 4_000;
/// Instructions that one text may take: a long text takes some hundreds.
const FUEL: u64 = 20_000;
/// Bytes that one text may have on the way: what a description holds, at four bytes a character.
const MAX_BYTES: usize = 4 * MAX_NOTE_CHARS;

/// The names, for whoever writes one.
pub(crate) const NAMES: [&str; 13] = [
    "sku",
    "name",
    "style",
    "size",
    "color",
    "colour",
    "colours",
    "material",
    "weight",
    "price",
    "currency",
    "description",
    "shop",
];

/// The value of each name for one piece.
fn values(item: &ItemView, shop: &Shop) -> [(&'static str, Value); NAMES.len()] {
    let colours = item.color.split('|').map(str::trim).filter(|c| !c.is_empty());
    let colours: Vec<String> = colours.map(str::to_owned).collect();
    [
        ("sku", Value::from(item.sku.as_str())),
        ("name", Value::from(item.name.as_str())),
        ("style", Value::from(item.style.as_deref().unwrap_or_default())),
        ("size", Value::from(item.size.as_str())),
        ("color", Value::from(item.color.as_str())),
        ("colour", Value::from(item.color.as_str())),
        ("colours", Value::from(colours)),
        ("material", Value::from(item.material.as_str())),
        ("weight", Value::from(item.weight.map(|w| w.to_string()).unwrap_or_default())),
        ("price", Value::from(item.price.to_string())),
        ("currency", Value::from(shop.currency.to_string())),
        ("description", Value::from(item.description.as_str())),
        ("shop", Value::from(shop.name.as_str())),
    ]
}

/// A template that can be read.
pub(crate) struct Wording<'t> {
    engine: Environment<'t>,
    text: &'t str,
}

impl<'t> Wording<'t> {
    /// Reads a template, or says in words which line is wrong.
    pub(crate) fn read(text: &'t str) -> Result<Self, String> {
        if text.chars().count() > MAX_TEMPLATE_CHARS {
            return Err(format!("the template has more than {MAX_TEMPLATE_CHARS} characters; shorten it"));
        }
        let mut engine = Environment::new();
        engine.set_undefined_behavior(UndefinedBehavior::Strict);
        engine.set_auto_escape_callback(|_| AutoEscape::None);
        engine.set_fuel(Some(FUEL));
        let wording = Self { engine, text };
        wording.template().map_err(|error| words(&error))?;
        Ok(wording)
    }

    fn template(&self) -> Result<Template<'_, 't>, Error> {
        self.engine.template_from_str(self.text)
    }

    /// The text of one piece.
    pub(crate) fn write(&self, item: &ItemView, shop: &Shop) -> Result<String, String> {
        let template = self.template().map_err(|error| words(&error))?;
        let mut out = Bounded(Vec::new());
        let piece = Value::from_pairs(values(item, shop));
        template.render_captured_to(piece, &mut out).map_err(|error| words(&error)).map(drop)?;
        let text = String::from_utf8(out.0).map_err(|_| "the text is not UTF-8".to_owned())?;
        let text = domain::text::note(text.trim()).map_err(|error| error.to_string())?;
        if text.is_empty() {
            return Err("the template writes nothing for this piece".to_owned());
        }
        Ok(text)
    }
}

/// Takes so many bytes and no more.
struct Bounded(Vec<u8>);

impl Write for Bounded {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.0.len() + bytes.len() > MAX_BYTES {
            return Err(io::Error::other("too long"));
        }
        self.0.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// An error of a template, for a shopkeeper.
fn words(error: &Error) -> String {
    let place =
        error.line().filter(|line| *line > 0).map(|line| format!("line {line}: ")).unwrap_or_default();
    let detail = error.detail().unwrap_or_default();
    let names = NAMES.join(", ");
    match error.kind() {
        ErrorKind::OutOfFuel => format!("{place}the template works too long; take loops out of it"),
        ErrorKind::WriteFailure => {
            format!("{place}the text gets longer than {MAX_NOTE_CHARS} characters; shorten the template")
        }
        ErrorKind::UndefinedError => {
            let what = if detail.is_empty() { String::new() } else { format!(" ({detail})") };
            format!("{place}a piece has no such value{what}; there are {names}")
        }
        ErrorKind::SyntaxError => format!("{place}this cannot be read: {detail}"),
        kind if detail.is_empty() => format!("{place}{kind}"),
        _ => format!("{place}{detail}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::TestShop;
    use domain::codes::Code;

    async fn written(template: &str) -> Result<String, String> {
        let shop = TestShop::open().await;
        let item = shop.ledger().item(&Code::parse("COWL").expect("a code")).await.expect("an item");
        Wording::read(template)?.write(&item, &shop.ledger().shop())
    }

    #[tokio::test]
    async fn every_name_has_its_value() {
        let shop = TestShop::open().await;
        let item = shop.ledger().item(&Code::parse("COWL").expect("a code")).await.expect("an item");
        let names = values(&item, &shop.ledger().shop()).map(|(name, _)| name);
        assert_eq!(names, NAMES);
    }

    #[tokio::test]
    async fn a_template_writes_what_it_names() {
        let check = async |template: &str, expected: &str| {
            assert_eq!(written(template).await.as_deref(), Ok(expected), "{template}");
        };
        check("{{ name }}: {{ weight }}, {{ price }} {{ currency }}", "Moor cowl: 6.35 oz, 48.00 USD").await;
        check("{{ style | upper }} <b>&amp;</b>", "MOOR COWL <b>&amp;</b>").await;
        check("{% if size %}{{ size }}{% else %}one size{% endif %}", "one size").await;
        check("{% for c in colours %}{{ c }} {% endfor %}.", ".").await;
        check(FIRST, "Moor cowl.\nIt weighs 6.35 oz, and there is only this one.\nMade by hand at Our farm.")
            .await;
    }

    #[tokio::test]
    async fn what_is_wrong_is_said_with_its_line() {
        let check = async |template: &str, expected: &[&str]| {
            let words = written(template).await.expect_err(template);
            for part in expected {
                assert!(words.contains(part), "{template}: {words}");
            }
        };
        check("a\n{{ fibre }}", &["line 2: a piece has no such value", "there are sku, name"]).await;
        check("{{ name", &["line 1: this cannot be read"]).await;
        check("\n\n{% if name %}x", &["line 3"]).await;
        check("{{ name | shout }}", &["line 1", "shout"]).await;
        check("   ", &["writes nothing"]).await;
        check("4242 4242 4242 4242", &["payment card"]).await;
        check(&"x".repeat(MAX_TEMPLATE_CHARS + 1), &["more than 4000 characters"]).await;
    }

    // The bounds are our own: nobody's text may hold the shop up.
    #[tokio::test]
    async fn a_template_is_kept_within_bounds() {
        let check = async |template: &str, expected: &str| {
            let words = written(template).await.expect_err(template);
            assert!(words.contains(expected), "{template}: {words}");
        };
        let loops = "{% for a in range(9999) %}{% for b in range(9999) %}{{ b }}{% endfor %}{% endfor %}";
        check(loops, "works too long").await;
        check("{% for a in range(900) %}{{ name * 9 }}{% endfor %}", "longer than 10000 characters").await;
        let doubled = format!("{{% set a = name * 100 %}}{}{{{{ a }}}}", "{% set a = a ~ a %}".repeat(40));
        assert!(written(&doubled).await.is_err());
    }
}
