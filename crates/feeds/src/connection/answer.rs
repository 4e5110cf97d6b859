//! `[answer]`: where an answer reports on each message separately.

use super::parts::{Read, Reader};
use super::raw::RawAnswer;
use super::{ConnectionError, JsonPointer};
use crate::json_page::{json_at, json_each};
use toml::Spanned;

/// The most words that can mean success.
const MAX_GOOD: usize = 20;
/// The most results of one answer that are read: those of the largest batch (200), and as many that
/// nobody asked for.
const MAX_RESULTS: usize = 400;
/// How many characters of a reason are kept.
const REASON_CHARS: usize = 200;

/// How an answer reports on each message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AnswerForm {
    each: JsonPointer,
    id: Option<JsonPointer>,
    ok: JsonPointer,
    good: Vec<String>,
    reason: Option<JsonPointer>,
    other_id: Option<JsonPointer>,
}

/// What happened to one message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The shop accepted it.
    Good,
    /// The shop did not accept it.
    Bad,
    /// What an answer with this HTTP status to this message alone would mean.
    Status(u16),
}

/// What an answer says about one message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ItemResult {
    /// The message's SKU or the online shop's own id.
    pub of: Option<String>,
    /// Whether it was accepted.
    pub outcome: Outcome,
    /// Why it was not accepted; may be empty.
    pub reason: String,
    /// The online shop's own id of the item.
    pub other_id: Option<String>,
}

impl AnswerForm {
    /// The results in the answer; none if it has no list of them.
    pub fn results(&self, body: &[u8]) -> Option<Vec<ItemResult>> {
        let each = json_each(body, &self.each)?;
        Some(each.into_iter().take(MAX_RESULTS).map(|raw| self.result(raw.as_bytes())).collect())
    }

    /// Whether results name their message; if not, they are in the order of the messages.
    pub fn names_items(&self) -> bool {
        self.id.is_some()
    }

    /// Whether a result may contain the online shop's own id.
    pub fn tells_other_id(&self) -> bool {
        self.other_id.is_some()
    }

    fn result(&self, raw: &[u8]) -> ItemResult {
        let at = |place: &Option<JsonPointer>| place.as_ref().and_then(|place| json_at(raw, place));
        let reason: String = at(&self.reason)
            .unwrap_or_default()
            .chars()
            .filter(|c| !c.is_control())
            .take(REASON_CHARS)
            .collect();
        let outcome = self.outcome(json_at(raw, &self.ok).as_deref());
        ItemResult { of: at(&self.id), outcome, reason, other_id: at(&self.other_id) }
    }

    /// If nothing is said, the message was not accepted.
    fn outcome(&self, said: Option<&str>) -> Outcome {
        let Some(said) = said else { return Outcome::Bad };
        if !self.good.is_empty() {
            return if self.good.iter().any(|good| good == said) { Outcome::Good } else { Outcome::Bad };
        }
        match (said, said.parse::<u16>()) {
            ("true", _) => Outcome::Good,
            (_, Ok(code @ 100..=599)) => Outcome::Status(code),
            _ => Outcome::Bad,
        }
    }
}

impl Reader<'_> {
    pub(super) fn answer(&self, raw: &Spanned<RawAnswer>) -> Read<AnswerForm> {
        let line = self.line(raw.span().start);
        let raw = raw.get_ref();
        let must = |key: &str, text: &super::raw::Text| {
            let pointer = self.pointer(key, Some(text))?;
            pointer.ok_or(ConnectionError::Together { line, table: "[answer]", why: "needs each and ok" })
        };
        if raw.good.len() > MAX_GOOD {
            let why = "has at most 20 words under good";
            return Err(ConnectionError::Together { line, table: "[answer]", why });
        }
        if let Some(empty) = raw.good.iter().find(|word| word.get_ref().trim().is_empty()) {
            return Err(self.wrong(
                "[answer] good",
                empty,
                "write the word that means that it was taken, such as created",
            ));
        }
        Ok(AnswerForm {
            each: must("[answer] each", &raw.each)?,
            id: self.pointer("[answer] id", raw.id.as_ref())?,
            ok: must("[answer] ok", &raw.ok)?,
            good: raw.good.iter().map(|word| word.get_ref().trim().to_owned()).collect(),
            reason: self.pointer("[answer] reason", raw.reason.as_ref())?,
            other_id: self.pointer("[answer] other_id", raw.other_id.as_ref())?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connection::ConnectionFile;

    fn parsed(keys: &str) -> Result<AnswerForm, String> {
        let text = format!(
            "channel = \"online\"\nbase = \"https://shop.example\"\n[out]\nto = \"/x/{{sku}}\"\n[answer]\n{keys}"
        );
        ConnectionFile::parse(&text).map(|file| file.answer.unwrap()).map_err(|e| e.to_string())
    }

    #[test]
    fn each_result_is_read_as_it_says() {
        let check = |keys: &str, body: &str, expected: Option<&str>| {
            let form =
                parsed(&format!("each = \"/results\"\nid = \"/code\"\nreason = \"/why/text\"\n{keys}"))
                    .unwrap();
            let told = form.results(body.as_bytes()).map(|all| {
                let word = |r: &ItemResult| {
                    format!(
                        "{} {:?} {} {}",
                        r.of.as_deref().unwrap_or("-"),
                        r.outcome,
                        r.reason,
                        r.other_id.as_deref().unwrap_or("-")
                    )
                };
                all.iter().map(word).collect::<Vec<_>>().join("; ")
            });
            assert_eq!(told.as_deref(), expected, "{keys} {body}");
        };
        let ok = "ok = \"/ok\"\n";
        check(ok, "{\"results\": [{\"code\": \"B1\", \"ok\": true}]}", Some("B1 Good  -"));
        check(
            ok,
            "{\"results\": [{\"code\": 7, \"ok\": false, \"why\": {\"text\": \"no picture\"}}]}",
            Some("7 Bad no picture -"),
        );
        check(
            ok,
            "{\"results\": [{\"code\": \"B1\", \"ok\": 201}, {\"code\": \"B2\", \"ok\": \"503\"}]}",
            Some("B1 Status(201)  -; B2 Status(503)  -"),
        );
        check(
            ok,
            "{\"results\": [{\"code\": \"B1\"}, {\"code\": \"B2\", \"ok\": null}]}",
            Some("B1 Bad  -; B2 Bad  -"),
        );
        check(
            ok,
            "{\"results\": [{\"code\": \"B1\", \"ok\": \"created\"}, {\"ok\": 7}]}",
            Some("B1 Bad  -; - Bad  -"),
        );
        let words = "ok = \"/state\"\ngood = [\"created\", \"same\"]\nother_id = \"/id\"\n";
        check(
            words,
            "{\"results\": [{\"code\": \"B1\", \"state\": \"created\", \"id\": 70}]}",
            Some("B1 Good  70"),
        );
        check(words, "{\"results\": [{\"code\": \"B1\", \"state\": \"true\"}]}", Some("B1 Bad  -"));
        check(ok, "{\"results\": []}", Some(""));
        for none in
            ["", "{}", "[]", "{\"results\": null}", "{\"results\": \"ok\"}", "{\"results\": [", "<html>"]
        {
            check(ok, none, None);
        }
    }

    #[test]
    fn what_is_wrong_with_it_is_told() {
        let check = |keys: &str, expected: &str| {
            let told = parsed(keys).map_or_else(|e| e, |_| "read".to_owned());
            assert!(told.contains(expected), "{keys}: {told}");
        };
        check("each = \"\"\nok = \"/ok\"\n", "read");
        check("ok = \"/ok\"\n", "missing field `each`");
        check("each = \"/results\"\n", "missing field `ok`");
        check(
            "each = \"results\"\nok = \"/ok\"\n",
            "line 6: [answer] each = \"results\": write a JSON Pointer",
        );
        check("each = \"/r\"\nok = \"ok\"\n", "[answer] ok = \"ok\": write a JSON Pointer");
        check("each = \"/r\"\nok = \"/ok\"\nid = \"id\"\n", "[answer] id = \"id\"");
        check("each = \"/r\"\nok = \"/ok\"\nreason = \"why\"\n", "[answer] reason = \"why\"");
        check("each = \"/r\"\nok = \"/ok\"\nother_id = \"id\"\n", "[answer] other_id = \"id\"");
        check("each = \"/r\"\nok = \"/ok\"\ngood = [\" \"]\n", "[answer] good = \" \": write the word");
        check("each = \"/r\"\nok = \"/ok\"\ngood = \"ok\"\n", "invalid type");
        check("each = \"/r\"\nok = \"/ok\"\nwhy = \"/w\"\n", "unknown field `why`");
    }
}
