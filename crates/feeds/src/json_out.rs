//! Messages about one listing: a JSON document by a layout, or our own JSON-LD.

use crate::connection::JsonPointer;
use crate::fields::{Feed, Kind, listing};
use crate::hash;
use crate::layout::{Format, Layout, MAX_SEGMENTS, Pointer};
use crate::layout_extra::{ExtraValue, Part};
use crate::layout_field::FieldMap;
use crate::listing::{Listing, content_hash};
use crate::listing_csv::level;
use crate::listing_json::{write_product, write_stock};
use crate::listing_units::converted;
use crate::template::Template;
use domain::codes::Gtin;

/// The longest list in a message: positions are counted from 0 without gaps.
const MAX_PLACES: usize = 64;
/// The fields of a message about stock only.
const OF_STOCK: [usize; 4] = [listing::SKU, listing::AVAILABILITY, listing::INVENTORY, listing::REVISION];

/// Why a layout cannot write listings.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum JsonOutError {
    /// The layout is for another feed or format.
    #[error("listings are written by a layout with feed = \"listings\" and format = \"json\"")]
    OtherLayout,
    /// A constant with a file or row in it.
    #[error("[field.{field}] value: a message has no file and no rows; write a plain text")]
    Constant {
        /// The field's name.
        field: &'static str,
    },
    /// Two fields at the same place, or one below another.
    #[error("[field.{field}] from = \"{pointer}\": another field is there or above it")]
    Taken {
        /// The field's name.
        field: &'static str,
        /// Its JSON Pointer.
        pointer: String,
    },
    /// A list with gaps, or nested too deeply.
    #[error("[field.{field}] from = \"{pointer}\": places in a list are counted from 0 without gaps")]
    Gap {
        /// The field's name.
        field: &'static str,
        /// Its JSON Pointer.
        pointer: String,
    },
    /// An `[extra]` at a place that is taken.
    #[error("[extra] \"{pointer}\": a field is there or above it; use another place")]
    ExtraTaken {
        /// Its JSON Pointer.
        pointer: String,
    },
    /// An `[extra]` in a list with gaps, or nested too deeply.
    #[error("[extra] \"{pointer}\": places in a list are counted from 0 without gaps")]
    ExtraGap {
        /// Its JSON Pointer.
        pointer: String,
    },
    /// Two of their words for one of ours.
    #[error("[field.{field}] words: two of them mean {ours}, so it is not clear which one to write")]
    TwoWords {
        /// The field's name.
        field: &'static str,
        /// Our word.
        ours: String,
    },
}

/// How much a message says about an item.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MessageOf {
    /// The whole listing.
    Listing,
    /// Its SKU, availability, stock and revision.
    Stock,
}

/// Writes messages about listings.
#[derive(Clone, Debug)]
pub struct ListingMessages {
    of: MessageOf,
    tree: Option<Node>,
    needs_other_id: bool,
}

/// A document with places for the fields.
#[derive(Clone, Debug)]
enum Node {
    Object(Vec<(String, Node)>),
    List(Vec<Node>),
    Field { place: usize, map: Box<FieldMap> },
    Extra(ExtraValue),
}

/// What a document is made from: an item, and the online shop's own id of it.
#[derive(Clone, Copy)]
struct Told<'a> {
    item: &'a Listing,
    other_id: &'a str,
}

impl ListingMessages {
    /// Writes by a layout, or our own JSON-LD if none.
    pub fn new(layout: Option<&Layout>, of: MessageOf) -> Result<Self, JsonOutError> {
        let Some(layout) = layout else { return Ok(Self { of, tree: None, needs_other_id: false }) };
        if layout.feed != Feed::Listings || layout.format != Format::Json {
            return Err(JsonOutError::OtherLayout);
        }
        let mut tree = Node::Object(Vec::new());
        // In the order of their places, so that members of a list are counted up.
        let mut fields: Vec<(usize, &FieldMap)> =
            layout.fields.iter().enumerate().filter_map(|(at, map)| Some((at, map.as_ref()?))).collect();
        fields.sort_by(|(_, a), (_, b)| a.pointer.segments.cmp(&b.pointer.segments));
        for (place, map) in fields {
            let field = Feed::Listings.fields()[place].name;
            let is_constant = map.value.is_some();
            if of == MessageOf::Stock && !is_constant && !OF_STOCK.contains(&place) {
                continue;
            }
            let varies = |t: &Template| t.names_file() || t.differs_by_row();
            if map.value.as_ref().is_some_and(varies) {
                return Err(JsonOutError::Constant { field });
            }
            let twice =
                map.words.iter().find(|(_, ours)| map.words.iter().filter(|(_, o)| o == ours).count() > 1);
            if let Some((_, ours)) = twice {
                return Err(JsonOutError::TwoWords { field, ours: ours.clone() });
            }
            tree.put(&map.pointer, 0, Node::Field { place, map: Box::new(map.clone()) }).map_err(
                |wrong| {
                    let pointer = map.pointer.text.clone();
                    match wrong {
                        Wrong::Taken => JsonOutError::Taken { field, pointer },
                        Wrong::Gap => JsonOutError::Gap { field, pointer },
                    }
                },
            )?;
        }
        for extra in &layout.extra {
            let pointer = || extra.pointer.text.clone();
            tree.put(&extra.pointer, 0, Node::Extra(extra.value.clone())).map_err(|wrong| match wrong {
                Wrong::Taken => JsonOutError::ExtraTaken { pointer: pointer() },
                Wrong::Gap => JsonOutError::ExtraGap { pointer: pointer() },
            })?;
        }
        let needs_other_id = layout.extra.iter().any(|extra| extra.value.has_other_id());
        Ok(Self { of, tree: Some(tree), needs_other_id })
    }

    /// Whether a message contains the online shop's own id.
    pub fn needs_other_id(&self) -> bool {
        self.needs_other_id
    }

    /// How much a message says.
    pub fn of(&self) -> MessageOf {
        self.of
    }

    /// The message about one listing. `other_id` is the online shop's own id, empty if unknown.
    pub fn write(&self, item: &Listing, other_id: &str) -> Vec<u8> {
        let mut out = Vec::with_capacity(512);
        match &self.tree {
            Some(tree) => {
                tree.write(Told { item, other_id }, &mut out);
            }
            // Writing to memory cannot fail.
            None => {
                let _ = match self.of {
                    MessageOf::Listing => write_product(&mut out, item, true),
                    MessageOf::Stock => write_stock(&mut out, item),
                };
            }
        }
        out
    }

    /// The hash that tells messages with different contents apart, without the revision.
    pub fn hash(&self, item: &Listing) -> String {
        match self.of {
            MessageOf::Listing => content_hash(item),
            MessageOf::Stock => {
                let inventory = item.inventory.map(level).unwrap_or_default();
                let text = format!("{}\n{}\n{inventory}", item.sku.as_str(), item.availability.code());
                hash::of_bytes(text.as_bytes())
            }
        }
    }
}

/// The body of a batch: the messages as a list at a place.
pub fn json_batch(each: &JsonPointer, documents: &[Vec<u8>]) -> Vec<u8> {
    let mut out = Vec::with_capacity(documents.iter().map(|d| d.len() + 1).sum::<usize>() + 64);
    for step in &each.0.segments {
        out.push(b'{');
        string(step, &mut out);
        out.push(b':');
    }
    out.push(b'[');
    for (at, document) in documents.iter().enumerate() {
        if at > 0 {
            out.push(b',');
        }
        out.extend_from_slice(document);
    }
    out.push(b']');
    out.extend(each.0.segments.iter().map(|_| b'}'));
    out
}

enum Wrong {
    Taken,
    Gap,
}

impl Node {
    fn put(&mut self, pointer: &Pointer, at: usize, leaf: Node) -> Result<(), Wrong> {
        let Some(step) = pointer.segments.get(at) else { return Err(Wrong::Taken) };
        if at >= MAX_SEGMENTS {
            return Err(Wrong::Gap);
        }
        let is_last = at + 1 == pointer.segments.len();
        let below = |leaf: Node| if is_last { leaf } else { container(&pointer.segments[at + 1]) };
        let child = match self {
            Node::Field { .. } | Node::Extra(_) => return Err(Wrong::Taken),
            Node::Object(members) => {
                let known = members.iter().position(|(name, _)| name == step);
                match known {
                    Some(_) if is_last => return Err(Wrong::Taken),
                    Some(known) => &mut members[known].1,
                    None if is_last => {
                        members.push((step.clone(), leaf));
                        return Ok(());
                    }
                    None => {
                        members.push((step.clone(), below(Node::List(Vec::new()))));
                        let last = members.len() - 1;
                        &mut members[last].1
                    }
                }
            }
            Node::List(items) => {
                let index = step.parse::<usize>().ok().filter(|i| *i < MAX_PLACES).ok_or(Wrong::Gap)?;
                match (index < items.len(), index == items.len()) {
                    (true, _) if is_last => return Err(Wrong::Taken),
                    (true, _) => &mut items[index],
                    (false, true) if is_last => {
                        items.push(leaf);
                        return Ok(());
                    }
                    (false, true) => {
                        items.push(below(Node::List(Vec::new())));
                        &mut items[index]
                    }
                    (false, false) => return Err(Wrong::Gap),
                }
            }
        };
        child.put(pointer, at + 1, leaf)
    }

    /// Writes the value; returns false, and writes nothing, if there is none.
    fn write(&self, told: Told<'_>, out: &mut Vec<u8>) -> bool {
        match self {
            Node::Field { place, map } => write_field(told.item, *place, map, out),
            Node::Extra(value) => write_extra(told, value, out),
            Node::Object(members) => {
                let begin = out.len();
                out.push(b'{');
                let mut count = 0;
                for (name, node) in members {
                    let mark = out.len();
                    if count > 0 {
                        out.push(b',');
                    }
                    string(name, out);
                    out.push(b':');
                    if node.write(told, out) {
                        count += 1;
                    } else {
                        out.truncate(mark);
                    }
                }
                out.push(b'}');
                if count == 0 && begin > 0 {
                    out.truncate(begin);
                    return false;
                }
                true
            }
            // Positions in a list stay: what is missing is null.
            Node::List(items) => {
                out.push(b'[');
                for (at, node) in items.iter().enumerate() {
                    if at > 0 {
                        out.push(b',');
                    }
                    if !node.write(told, out) {
                        out.extend_from_slice(b"null");
                    }
                }
                out.push(b']');
                true
            }
        }
    }
}

/// What stands below a step depends on the next step: a number is a position in a list.
fn container(next: &str) -> Node {
    if !next.is_empty() && next.bytes().all(|b| b.is_ascii_digit()) {
        Node::List(Vec::new())
    } else {
        Node::Object(Vec::new())
    }
}

fn string(text: &str, out: &mut Vec<u8>) {
    // Writing to memory cannot fail, and any text can be JSON.
    let _ = serde_json::to_writer(out, text);
}

fn write_field(item: &Listing, place: usize, map: &FieldMap, out: &mut Vec<u8>) -> bool {
    if let Some(constant) = &map.value {
        let mut text = String::new();
        constant.write("", 1, &mut text);
        string(&text, out);
        return true;
    }
    if place == listing::IMAGE {
        // Any list of texts can be JSON.
        return !item.text.images.is_empty() && serde_json::to_writer(out, &item.text.images).is_ok();
    }
    let Some(mut text) = converted(item, place, map).or_else(|| text_of(item, place)) else { return false };
    if let Some((theirs, _)) = map.words.iter().find(|(_, ours)| **ours == text) {
        text.clone_from(theirs);
    }
    let is_number = matches!(Feed::Listings.fields()[place].kind, Kind::Number);
    if map.as_number && is_number {
        out.extend_from_slice(text.as_bytes());
        return true;
    }
    if map.decimal_comma {
        text = text.replace('.', ",");
    }
    string(&text, out);
    true
}

/// A text that needs something unknown is left out.
fn write_extra(told: Told<'_>, value: &ExtraValue, out: &mut Vec<u8>) -> bool {
    let parts = match value {
        ExtraValue::Plain(json) => {
            out.extend_from_slice(json.as_bytes());
            return true;
        }
        ExtraValue::Text(parts) => parts,
    };
    let mut text = String::new();
    for part in parts {
        match part {
            Part::Text(plain) => text.push_str(plain),
            Part::Sku => text.push_str(told.item.sku.as_str()),
            Part::OtherId if told.other_id.is_empty() => return false,
            Part::OtherId => text.push_str(told.other_id),
            Part::Revision => text.push_str(&told.item.revision.to_string()),
        }
    }
    string(&text, out);
    true
}

/// The text of a field, if the listing has it.
fn text_of(item: &Listing, place: usize) -> Option<String> {
    let some = |text: &str| Some(text.to_owned()).filter(|t| !t.is_empty());
    match place {
        listing::SKU => some(item.sku.as_str()),
        listing::GTIN => item.gtin.as_ref().and_then(Gtin::gtin13),
        listing::WEIGHT => item.weight.map(|w| w.value().to_string()),
        listing::WEIGHT_UNIT => item.weight.map(|w| w.unit().code().to_owned()),
        listing::PRICE => Some(item.price.to_string()),
        listing::CURRENCY => some(item.price.currency().code()),
        listing::AVAILABILITY => some(item.availability.code()),
        listing::INVENTORY => item.inventory.map(level),
        listing::REVISION => Some(item.revision.to_string()),
        other => some(item.text.get(Feed::Listings.fields()[other].text?)),
    }
}
