//! Writes listings as JSON-LD with schema.org's terms.

use crate::listing::Listing;
use crate::listing_csv::level;
use domain::codes::Gtin;
use domain::item::{ItemText, TextField};
use domain::quantity::Measure;
use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};
use std::io::{self, Write};

const CONTEXT: &str = "https://schema.org";

#[derive(Serialize)]
struct Product<'a> {
    #[serde(rename = "@context", skip_serializing_if = "Option::is_none")]
    context: Option<&'static str>,
    #[serde(rename = "@type")]
    kind: &'static str,
    sku: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    gtin13: Option<String>,
    #[serde(flatten)]
    texts: Texts<'a>,
    #[serde(skip_serializing_if = "Option::is_none")]
    weight: Option<QuantitativeValue>,
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    image: &'a [String],
    offers: Offer<'a>,
    #[serde(rename = "additionalProperty")]
    additional_property: PropertyValue,
}

/// The texts that say something, each under its property. A product has a name.
struct Texts<'a>(&'a ItemText);

#[derive(Serialize)]
struct Brand<'a> {
    #[serde(rename = "@type")]
    kind: &'static str,
    name: &'a str,
}

impl Serialize for Texts<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        for (field, text) in self.0.fields() {
            if field == TextField::Name || !text.is_empty() {
                match field {
                    // schema.org expects a Brand or an Organization here.
                    TextField::Brand => {
                        map.serialize_entry("brand", &Brand { kind: "Brand", name: text })?;
                    }
                    _ => map.serialize_entry(field.property(), text)?,
                }
            }
        }
        map.end()
    }
}

/// Amounts are text, as schema.org allows, so that 6.50 does not become 6.5.
#[derive(Serialize)]
struct QuantitativeValue {
    #[serde(rename = "@type")]
    kind: &'static str,
    value: String,
    #[serde(rename = "unitCode")]
    unit_code: &'static str,
}

#[derive(Serialize)]
struct Offer<'a> {
    #[serde(rename = "@type")]
    kind: &'static str,
    price: String,
    #[serde(rename = "priceCurrency")]
    price_currency: &'a str,
    availability: String,
    #[serde(rename = "inventoryLevel", skip_serializing_if = "Option::is_none")]
    inventory_level: Option<QuantitativeValue>,
}

#[derive(Serialize)]
struct PropertyValue {
    #[serde(rename = "@type")]
    kind: &'static str,
    #[serde(rename = "propertyID")]
    property_id: &'static str,
    value: i64,
}

fn quantity(value: String, unit_code: &'static str) -> QuantitativeValue {
    QuantitativeValue { kind: "QuantitativeValue", value, unit_code }
}

pub(crate) fn write_product(out: &mut impl Write, item: &Listing, alone: bool) -> io::Result<()> {
    let context = alone.then_some(CONTEXT);
    let currency = item.price.currency();
    let product = Product {
        context,
        kind: "Product",
        sku: item.sku.as_str(),
        gtin13: item.gtin.as_ref().and_then(Gtin::gtin13),
        texts: Texts(&item.text),
        weight: item.weight.map(|w| quantity(w.value().to_string(), w.unit().code())),
        image: &item.text.images,
        offers: Offer {
            kind: "Offer",
            price: item.price.to_string(),
            price_currency: currency.code(),
            availability: availability(item),
            inventory_level: inventory(item),
        },
        additional_property: revision(item),
    };
    serde_json::to_writer(out, &product).map_err(io::Error::from)
}

#[derive(Serialize)]
struct StockProduct<'a> {
    #[serde(rename = "@context")]
    context: &'static str,
    #[serde(rename = "@type")]
    kind: &'static str,
    sku: &'a str,
    offers: StockOffer,
    #[serde(rename = "additionalProperty")]
    additional_property: PropertyValue,
}

#[derive(Serialize)]
struct StockOffer {
    #[serde(rename = "@type")]
    kind: &'static str,
    availability: String,
    #[serde(rename = "inventoryLevel", skip_serializing_if = "Option::is_none")]
    inventory_level: Option<QuantitativeValue>,
}

/// A product with nothing but its stock.
pub(crate) fn write_stock(out: &mut impl Write, item: &Listing) -> io::Result<()> {
    let product = StockProduct {
        context: CONTEXT,
        kind: "Product",
        sku: item.sku.as_str(),
        offers: StockOffer {
            kind: "Offer",
            availability: availability(item),
            inventory_level: inventory(item),
        },
        additional_property: revision(item),
    };
    serde_json::to_writer(out, &product).map_err(io::Error::from)
}

fn availability(item: &Listing) -> String {
    format!("{CONTEXT}/{}", item.availability.code())
}

fn inventory(item: &Listing) -> Option<QuantitativeValue> {
    item.inventory.map(|q| {
        let unit = match q.measure() {
            // UN/CEFACT's code for one unit.
            Measure::Units => "C62",
            Measure::Thousandths(unit) => unit.code(),
        };
        quantity(level(q), unit)
    })
}

fn revision(item: &Listing) -> PropertyValue {
    PropertyValue { kind: "PropertyValue", property_id: "revision", value: item.revision }
}

/// One JSON-LD document with the listings as its graph, written one by one.
pub struct JsonLdDocument<W> {
    out: W,
    rows: u64,
}

impl<W: Write> JsonLdDocument<W> {
    /// Writes the beginning of the document.
    pub fn new(mut out: W) -> io::Result<Self> {
        write!(out, "{{\"@context\":\"{CONTEXT}\",\"@graph\":[")?;
        Ok(Self { out, rows: 0 })
    }

    /// Writes one listing.
    pub fn write(&mut self, item: &Listing) -> io::Result<()> {
        self.out.write_all(if self.rows == 0 { b"\n" } else { b",\n" })?;
        self.rows += 1;
        write_product(&mut self.out, item, false)
    }

    /// Finishes the document; returns its writer and the number of listings.
    pub fn finish(mut self) -> io::Result<(W, u64)> {
        self.out.write_all(b"\n]}\n")?;
        self.out.flush()?;
        Ok((self.out, self.rows))
    }
}

/// JSON Lines with one JSON-LD product per line.
pub struct JsonLdLines<W> {
    out: W,
    rows: u64,
}

impl<W: Write> JsonLdLines<W> {
    /// Writes nothing until the first listing.
    pub fn new(out: W) -> Self {
        Self { out, rows: 0 }
    }

    /// Writes one listing.
    pub fn write(&mut self, item: &Listing) -> io::Result<()> {
        self.rows += 1;
        write_product(&mut self.out, item, true)?;
        self.out.write_all(b"\n")
    }

    /// Finishes the file; returns its writer and the number of listings.
    pub fn finish(mut self) -> io::Result<(W, u64)> {
        self.out.flush()?;
        Ok((self.out, self.rows))
    }
}
