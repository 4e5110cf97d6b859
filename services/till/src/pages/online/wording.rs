//! A listing's text, written by a template (minijinja) from what the shop knows about the piece.
//!
//! A template is a person's text, and yet it is limited: in how much it computes and in how long its result is.
//! A name that a piece lacks is an error, never a gap.

use domain::item::TextField;
use domain::text::MAX_NOTE_CHARS;
use ledger::Shop;
use ledger::shelf::ItemView;
use minijinja::{AutoEscape, Environment, Error, ErrorKind, Template, UndefinedBehavior, Value};
use std::io::{self, Write};
use std::thread;

/// The name under which the template is stored, and the template of a new shop.
pub(crate) const NAME: &str = "listing";
pub(crate) const FIRST: &str = "\
{{ name }}{% if size and name is not saying(size) %}, size {{ size }}{% endif %}.
{% if colors %}Color: {{ colors | join(\", \") }}.
{% endif -%}
{% if material %}Made of {{ material }}.
{% endif -%}
{% if weight %}Weight: {{ weight }}. One of a kind.
{% endif -%}
Handmade at {{ shop }}.
";
/// The longest template: a listing's text has a tenth of it.
pub(crate) const MAX_TEMPLATE_CHARS: usize = 4_000;
/// Operators outside of quotes within one pair of braces: each may lead the parser one level deeper, as a row
/// of minus signs does. A long expression has about thirty.
const MAX_SIGNS: usize = 100;
/// Tags that may be open at once, such as an `if` within a `for`.
const MAX_OPEN: usize = 16;
/// Stack for parsing and rendering one text: what both limits allow takes a tenth of it in an unoptimized
/// program. Only what is used of it costs memory.
const ROOM_BYTES: usize = 32 << 20;
/// Instructions that one text may take: a long text takes a few hundred.
const FUEL: u64 = 20_000;
/// Bytes that one text may have meanwhile: a description's limit, at four bytes per character.
const MAX_BYTES: usize = 4 * MAX_NOTE_CHARS;

/// The names that templates can use besides an item's texts.
const OTHERS: [&str; 7] = ["sku", "style", "colors", "weight", "price", "currency", "shop"];

/// The names that templates can use.
pub(crate) fn names() -> String {
    let texts = TextField::ALL.iter().map(|field| field.property());
    texts.chain(OTHERS).collect::<Vec<_>>().join(", ")
}

/// The value of each name for one piece.
fn values(item: &ItemView, shop: &Shop) -> Vec<(&'static str, Value)> {
    let colors = item.text.color.split('|').map(str::trim).filter(|c| !c.is_empty());
    let colors: Vec<String> = colors.map(str::to_owned).collect();
    let others = [
        Value::from(item.sku.as_str()),
        Value::from(item.style.as_deref().unwrap_or_default()),
        Value::from(colors),
        Value::from(item.weight.map(|w| w.to_string()).unwrap_or_default()),
        Value::from(item.price.to_string()),
        Value::from(shop.currency.to_string()),
        Value::from(shop.name.as_str()),
    ];
    let texts = item.text.fields().map(|(field, text)| (field.property(), Value::from(text)));
    texts.chain(OTHERS.into_iter().zip(others)).collect()
}

pub(crate) struct Wording<'t> {
    engine: Environment<'t>,
    text: &'t str,
}

impl<'t> Wording<'t> {
    /// Parses a template, or says in words which line is wrong.
    pub(crate) fn read(text: &'t str) -> Result<Self, String> {
        if text.chars().count() > MAX_TEMPLATE_CHARS {
            return Err(format!("the template has more than {MAX_TEMPLATE_CHARS} characters; shorten it"));
        }
        refuse_deep(text)?;
        let mut engine = Environment::new();
        engine.set_undefined_behavior(UndefinedBehavior::Strict);
        engine.set_auto_escape_callback(|_| AutoEscape::None);
        engine.set_fuel(Some(FUEL));
        // A name often has the size in it.
        engine.add_test("saying", |text: &str, words: &str| domain::text::says(text, words));
        let wording = Self { engine, text };
        with_room(|| wording.template().map(drop).map_err(|error| words(&error)))?;
        Ok(wording)
    }

    fn template(&self) -> Result<Template<'_, 't>, Error> {
        self.engine.template_from_str(self.text)
    }

    pub(crate) fn write(&self, item: &ItemView, shop: &Shop) -> Result<String, String> {
        with_room(|| self.written(item, shop))
    }

    fn written(&self, item: &ItemView, shop: &Shop) -> Result<String, String> {
        let template = self.template().map_err(|error| words(&error))?;
        let mut out = Bounded(Vec::new());
        let piece = Value::from_pairs(values(item, shop));
        template.render_captured_to(piece, &mut out).map_err(|error| words(&error)).map(drop)?;
        let text = String::from_utf8(out.0).map_err(|_| "the text is not UTF-8".to_owned())?;
        let text = domain::text::note(text.trim()).map_err(|error| error.to_string())?;
        if text.is_empty() {
            return Err("the template produces no text for this piece".to_owned());
        }
        Ok(text)
    }
}

/// Works on a template on a thread with its own stack: whatever it contains, the program goes on.
fn with_room<T: Send>(work: impl FnOnce() -> Result<T, String> + Send) -> Result<T, String> {
    let thread = thread::Builder::new().name("wording".to_owned()).stack_size(ROOM_BYTES);
    thread::scope(|scope| match thread.spawn_scoped(scope, work) {
        Ok(running) => {
            running.join().unwrap_or_else(|_| Err("the template is too complex; simplify it".to_owned()))
        }
        Err(error) => Err(format!("the template cannot be used right now ({error}); try again")),
    })
}

/// Refuses what would lead the parser too deep, before it parses anything: for some kinds of characters it goes
/// down a level for each, without counting them.
fn refuse_deep(text: &str) -> Result<(), String> {
    // What looks like a tag's end within quotes may be one (in a raw block) or not: both readings are limited.
    refuse_deep_as(text, false).and_then(|()| refuse_deep_as(text, true))
}

fn refuse_deep_as(text: &str, quotes_hide: bool) -> Result<(), String> {
    let (mut open, mut line, mut rest) = (0_usize, 1, text);
    while let Some(at) = rest.find('{') {
        line += rest[..at].matches('\n').count();
        rest = &rest[at..];
        let end = match rest.as_bytes().get(1) {
            Some(b'{') => "}}",
            Some(b'%') => "%}",
            Some(b'#') => "#}",
            _ => {
                rest = &rest[1..];
                continue;
            }
        };
        let length = tag_end(rest, end, quotes_hide);
        let inner = &rest[2.min(length)..length];
        if end != "#}" && signs(inner) > MAX_SIGNS {
            return Err(format!(
                "line {line}: one pair of braces holds more than {MAX_SIGNS} symbols; split it"
            ));
        }
        if end == "%}" {
            let word = inner.trim_start_matches(['-', '+']).trim_start();
            let closes = word.starts_with("end");
            let opens = ["if", "for", "with", "set", "block", "filter", "macro", "call", "autoescape", "raw"];
            let is_open = opens.iter().any(|name| {
                word.strip_prefix(name).is_some_and(|rest| !rest.starts_with(char::is_alphanumeric))
            });
            // A `set` with a value has no end tag.
            let is_whole = word.starts_with("set") && word.contains('=');
            open = if closes { open.saturating_sub(1) } else { open + usize::from(is_open && !is_whole) };
        }
        if open > MAX_OPEN {
            return Err(format!("line {line}: more than {MAX_OPEN} tags are nested; close some of them"));
        }
        line += rest[..length].matches('\n').count();
        rest = rest.get(length + end.len()..).unwrap_or_default();
    }
    Ok(())
}

/// Where the tag at the start of a text ends.
fn tag_end(text: &str, end: &str, quotes_hide: bool) -> usize {
    if !quotes_hide || end == "#}" {
        return text.find(end).unwrap_or(text.len());
    }
    let (mut quote, mut escaped) = (None, false);
    for (at, c) in text.char_indices() {
        match quote {
            Some(_) if escaped => escaped = false,
            Some(_) if c == '\\' => escaped = true,
            Some(open) if c == open => quote = None,
            None if matches!(c, '"' | '\'') => quote = Some(c),
            None if text[at..].starts_with(end) => return at,
            Some(_) | None => {}
        }
    }
    text.len()
}

/// How many operators and logical words are outside of quotes.
fn signs(inner: &str) -> usize {
    let (mut quote, mut escaped, mut count) = (None, false, 0);
    for c in inner.chars() {
        match quote {
            Some(_) if escaped => escaped = false,
            Some(_) if c == '\\' => escaped = true,
            Some(open) if c == open => quote = None,
            Some(_) => {}
            None if matches!(c, '"' | '\'') => (quote, count) = (Some(c), count + 1),
            None => count += usize::from(!c.is_alphanumeric() && !c.is_whitespace()),
        }
    }
    let logic = ["not", "if", "else", "and", "or", "in", "is"];
    count + inner.split(|c: char| !c.is_alphanumeric()).filter(|word| logic.contains(word)).count()
}

/// Accepts this many bytes and no more.
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

/// A template's error, for a shopkeeper.
fn words(error: &Error) -> String {
    let place =
        error.line().filter(|line| *line > 0).map(|line| format!("line {line}: ")).unwrap_or_default();
    let detail = error.detail().unwrap_or_default();
    let names = names();
    match error.kind() {
        ErrorKind::OutOfFuel => format!("{place}the template takes too long; remove loops from it"),
        ErrorKind::WriteFailure => {
            format!("{place}the text is longer than {MAX_NOTE_CHARS} characters; shorten the template")
        }
        ErrorKind::UndefinedError => {
            let what = if detail.is_empty() { String::new() } else { format!(" ({detail})") };
            format!("{place}a piece has no value with this name{what}; use one of {names}")
        }
        ErrorKind::SyntaxError => format!("{place}the template has an error: {detail}"),
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
        let given = values(&item, &shop.ledger().shop());
        let given: Vec<&str> = given.iter().map(|(name, _)| *name).collect();
        assert_eq!(given.join(", "), names());
    }

    #[test]
    fn a_size_that_the_name_has_is_not_said_twice() {
        let wording = Wording::read(FIRST).expect("a template");
        let check = |name: &str, size: &str, expected: &str| {
            let given = minijinja::context! {
                name, size, colors => Vec::<String>::new(), material => "", weight => "", shop => "Our farm"
            };
            let text = wording.template().expect("it").render(given).expect("a text");
            assert_eq!(text.lines().next(), Some(expected), "{name} {size}");
        };
        check("Ridge beanie, M", "M", "Ridge beanie, M.");
        check("Ridge beanie M", "m", "Ridge beanie M.");
        check("Moor cowl", "M", "Moor cowl, size M.");
        check("Moor cowl", "", "Moor cowl.");
    }

    #[tokio::test]
    async fn a_template_writes_what_it_names() {
        let check = async |template: &str, expected: &str| {
            assert_eq!(written(template).await.as_deref(), Ok(expected), "{template}");
        };
        check("{{ name }}: {{ weight }}, {{ price }} {{ currency }}", "Moor cowl: 6.35 oz, 48.00 USD").await;
        check("{{ style | upper }} <b>&amp;</b>", "MOOR COWL <b>&amp;</b>").await;
        check("{% if size %}{{ size }}{% else %}one size{% endif %}", "one size").await;
        check("{% for c in colors %}{{ c }} {% endfor %}.", ".").await;
        check(FIRST, "Moor cowl.\nWeight: 6.35 oz. One of a kind.\nHandmade at Our farm.").await;
    }

    #[tokio::test]
    async fn what_is_wrong_is_said_with_its_line() {
        let check = async |template: &str, expected: &[&str]| {
            let words = written(template).await.expect_err(template);
            for part in expected {
                assert!(words.contains(part), "{template}: {words}");
            }
        };
        check("a\n{{ fibre }}", &["line 2: a piece has no value with this name", "use one of name, "]).await;
        check("{{ name", &["line 1: the template has an error"]).await;
        check("\n\n{% if name %}x", &["line 3"]).await;
        check("{{ name | shout }}", &["line 1", "shout"]).await;
        check("   ", &["produces no text"]).await;
        check("4000 0000 0000 0002", &["payment card"]).await;
        check(&"x".repeat(MAX_TEMPLATE_CHARS + 1), &["more than 4000 characters"]).await;
    }

    // The limits are our own: nobody's text may block the shop.
    #[tokio::test]
    async fn a_template_is_kept_within_bounds() {
        let check = async |template: &str, expected: &str| {
            let words = written(template).await.expect_err(template);
            assert!(words.contains(expected), "{template}: {words}");
        };
        let loops = "{% for a in range(9999) %}{% for b in range(9999) %}{{ b }}{% endfor %}{% endfor %}";
        check(loops, "takes too long").await;
        check("{% for a in range(900) %}{{ name * 9 }}{% endfor %}", "longer than 10000 characters").await;
        let doubled = format!("{{% set a = name * 100 %}}{}{{{{ a }}}}", "{% set a = a ~ a %}".repeat(40));
        assert!(written(&doubled).await.is_err());
    }

    // One of them used to end the process: the parser goes down a level for each minus sign, on the caller's
    // stack.
    #[tokio::test]
    async fn what_leads_too_deep_is_refused_and_the_program_goes_on() {
        let many = |before: &str, part: &str, behind: &str| {
            let times = (MAX_TEMPLATE_CHARS - before.len() - behind.len()) / part.len();
            format!("{before}{}{behind}", part.repeat(times))
        };
        let templates = [
            many("{{ ", "-", "1 }}"),
            many("{{ ", "- ", "1 }}"),
            many("{{ ", "not ", "1 }}"),
            many("{{ ", "(", "1"),
            many("{{ ", "[", "1"),
            many("{{ ", "{1:", "1"),
            many("{{ 1", "+1", " }}"),
            many("{{ 1", "~1", " }}"),
            many("{{ 1", "**1", " }}"),
            many("{{ 1", "|string", " }}"),
            many("{{ name", ".a", " }}"),
            many("{{ name", "[0]", " }}"),
            many("{{ name", "()", " }}"),
            many("{{ 1", " if 1 else 1", " }}"),
            many("{{ 1", " and 1", " }}"),
            many("{{ 1", "<1", " }}"),
            many("{{ 1", " is 1", " }}"),
            many("", "{% if 1 %}", ""),
            many("", "{%- if 1 -%}", ""),
            many("", "{% for a in b %}", ""),
            many("", "{% with %}", ""),
            many("", "{% set a %}", ""),
            many("{% if 1 %}", "{% elif 1 %}", "{% endif %}"),
            many("", "{", ""),
            many("", "{% raw %}", ""),
            many("", "{#", ""),
            many("", "{{ -", ""),
            many("", "{% if -", ""),
            many("{{ \"}}\" ~ ", "-", "1 }}"),
            many("{{ '%}' ~ \"}}\" ~ ", "- ", "1 }}"),
            many("{% raw %}{{ \" }}{% endraw %}{{ ", "-", "1 }}"),
            many("{# \" #}{{ ", "-", "1 }}"),
        ];
        for template in &templates {
            let words = written(template).await.err();
            let begin: String = template.chars().take(30).collect();
            println!("{begin}: {words:?}");
        }
        let refused = ["more than 100 symbols", "more than 16 tags"];
        for (template, expected) in
            [(&templates[0], refused[0]), (&templates[3], refused[0]), (&templates[17], refused[1])]
        {
            let words = written(template).await.expect_err(template);
            assert!(words.contains(expected) && words.starts_with("line 1: "), "{words}");
        }
        assert_eq!(written("{{ name }}").await.as_deref(), Ok("Moor cowl"));
        // Operators in text that the template writes are not its own.
        let dotted = format!("{{{{ \"{}\" }}}}", ".".repeat(300));
        assert_eq!(written(&dotted).await.map(|text| text.len()), Ok(300));
        let many_tags = "{% if size %}{{ size }}{% endif %}".repeat(40) + "x";
        assert_eq!(written(&many_tags).await.as_deref(), Ok("x"));
    }

    /// To run longer by hand: `FLEECEFOLD_FUZZ_SECONDS=600 FLEECEFOLD_FUZZ_SEED=7 cargo test -p till --lib
    /// mutated`.
    #[tokio::test]
    async fn a_template_however_mutated_is_written_or_refused() {
        const PIECES: [&str; 30] = [
            "{{",
            "}}",
            "{%",
            "%}",
            "{#",
            "#}",
            "-",
            "not ",
            "(",
            ")",
            "[",
            "]",
            "{",
            "}",
            "|",
            "~",
            ".",
            "\"",
            "'",
            "\\",
            "{% if name %}",
            "{% endif %}",
            "{% for c in colors %}",
            "{% endfor %}",
            "{% set x = name %}",
            " if 1 else 2",
            "**9",
            "range(99)",
            "\n",
            "\u{1f9f6}",
        ];
        let number = |name: &str| std::env::var(name).ok().and_then(|text| text.parse().ok());
        let until = std::time::Instant::now()
            + std::time::Duration::from_secs(number("FLEECEFOLD_FUZZ_SECONDS").unwrap_or(1));
        // A 64-bit generator (Knuth's constants): the same seed gives the same texts.
        let mut state = number("FLEECEFOLD_FUZZ_SEED").unwrap_or(1_u64);
        let mut below = |most: usize| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            usize::try_from(state >> 33).unwrap_or_default() % most.max(1)
        };
        let shop = TestShop::open().await;
        let item = shop.ledger().item(&Code::parse("COWL").expect("a code")).await.expect("an item");
        let (mut rounds, mut right) = (0, 0);
        while rounds < 200 || std::time::Instant::now() < until {
            let mut text: Vec<char> = FIRST.chars().collect();
            for _ in 0..=below(5) {
                let at = below(text.len() + 1);
                if below(4) == 0 {
                    let end = (at + below(20)).min(text.len());
                    text.drain(at..end);
                    continue;
                }
                let times = if below(6) == 0 { below(1500) } else { 1 + below(3) };
                let piece = PIECES[below(PIECES.len())].repeat(times);
                text.splice(at..at, piece.chars().take(MAX_TEMPLATE_CHARS));
            }
            let text: String = text.into_iter().take(MAX_TEMPLATE_CHARS).collect();
            let written =
                Wording::read(&text).and_then(|wording| wording.write(&item, &shop.ledger().shop()));
            right += usize::from(written.is_ok());
            assert!(written.map_or_else(|words| !words.is_empty(), |text| !text.is_empty()), "{text}");
            rounds += 1;
        }
        println!("{rounds} templates, {right} of them written");
        assert!(right > rounds / 50, "{right} of {rounds}");
    }
}
