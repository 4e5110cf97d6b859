//! POST /api/items

use super::outcome::{OutcomesShown, answer};
use crate::api::answer::Answer;
use crate::app::App;
use crate::problem::{KeyHeader, Problem, WriteProblems};
use crate::request::body::{BULK_LIMIT, Body, Write};
use crate::request::values;
use crate::request::values::WeightText;
use axum::extract::State;
use domain::codes::Gtin;
use domain::item::{ItemPricing, ItemStock};
use domain::money::Currency;
use domain::stock::ItemKind;
use ledger::shelf::{AddItems, MAX_ITEMS_AT_ONCE, NewItem};
use serde::Deserialize;
use utoipa::ToSchema;

/// New items, or known ones by their SKU with new texts and prices; the stock of known ones stays.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct ItemsText {
    /// 1 to 500.
    items: Vec<ItemText>,
}

/// An item.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct ItemText {
    name: String,
    /// piece, counted or weight. If left out: weight with `unitCode`, counted with `quantity`, otherwise piece.
    kind: Option<String>,
    /// The owner's code; the in-store code if left out.
    sku: Option<String>,
    gtin13: Option<String>,
    style: Option<String>,
    #[serde(default)]
    color: String,
    #[serde(default)]
    size: String,
    #[serde(default)]
    material: String,
    #[serde(default)]
    brand: String,
    weight: Option<WeightText>,
    /// Added to the price by weight.
    extras: Option<String>,
    /// A price override.
    price: Option<String>,
    cost: Option<String>,
    quantity: Option<String>,
    /// The unit in which goods by weight are stocked and priced: ONZ, LBR, GRM, HGM or KGM.
    unit_code: Option<String>,
    #[serde(default)]
    description: String,
    #[serde(default)]
    image: Vec<String>,
    /// Whether it must never be listed online.
    #[serde(default)]
    do_not_list: bool,
}

impl Body for ItemsText {
    const LIMIT: usize = BULK_LIMIT;
}

impl ItemsText {
    fn read(&self, currency: Currency, who: String) -> Result<AddItems, Problem> {
        if !(1..=MAX_ITEMS_AT_ONCE).contains(&self.items.len()) {
            return Err(Problem::invalid("#/items", format!("give 1 to {MAX_ITEMS_AT_ONCE} items at once")));
        }
        let item = |(index, item): (usize, &ItemText)| {
            item.read(currency).map_err(|problem| problem.below(&format!("#/items/{index}")))
        };
        let items = self.items.iter().enumerate().map(item).collect::<Result<_, _>>()?;
        Ok(AddItems { items, who, progress: None })
    }
}

impl ItemText {
    fn read(&self, currency: Currency) -> Result<NewItem, Problem> {
        let gtin = self.gtin13.as_deref().map(Gtin::parse).transpose();
        let unit = self.unit_code.as_deref();
        let stock = ItemStock::of(self.kind()?);
        Ok(NewItem {
            text: self.text(),
            sku: self.sku.as_deref().map(|t| values::code(t, "#/sku")).transpose()?,
            gtin: gtin.map_err(|e| Problem::invalid("#/gtin13", e))?,
            pricing: self.pricing(currency)?,
            stock: ItemStock {
                quantity: self.quantity.as_deref().map(|q| values::asked(q, unit, "#")).transpose()?,
                stock_unit: unit.map(|u| values::unit(u, "#/unitCode")).transpose()?,
                do_not_list: self.do_not_list,
                ..stock
            },
        })
    }

    fn pricing(&self, currency: Currency) -> Result<ItemPricing, Problem> {
        Ok(ItemPricing {
            style: self.style.clone(),
            weight: self.weight.as_ref().map(|w| values::weight(w, "#/weight")).transpose()?,
            extras: values::money_or_none(self.extras.as_deref(), currency, "#/extras")?,
            price: values::money_if(self.price.as_deref(), currency, "#/price")?,
            cost: values::money_if(self.cost.as_deref(), currency, "#/cost")?,
        })
    }

    fn text(&self) -> domain::item::ItemText {
        domain::item::ItemText {
            name: self.name.clone(),
            description: self.description.clone(),
            color: self.color.clone(),
            size: self.size.clone(),
            material: self.material.clone(),
            brand: self.brand.clone(),
            images: self.image.clone(),
        }
    }

    fn kind(&self) -> Result<ItemKind, Problem> {
        const KINDS: [ItemKind; 3] = [ItemKind::Piece, ItemKind::Counted, ItemKind::Weight];
        match (&self.kind, &self.unit_code, &self.quantity) {
            (Some(kind), ..) => {
                values::choice(ItemKind::from_code(kind), &KINDS.map(ItemKind::code), "#/kind")
            }
            (None, Some(_), _) => Ok(ItemKind::Weight),
            (None, None, Some(_)) => Ok(ItemKind::Counted),
            (None, None, None) => Ok(ItemKind::Piece),
        }
    }
}

/// Adds items, with calculated prices or price overrides. A single rejected item is a problem; of several, each
/// has its outcome. A value that cannot be read rejects all of them.
#[utoipa::path(post, path = "/api/items", tag = "items", params(KeyHeader), request_body = ItemsText,
    responses(
        (status = 200, description = "What became of each.", body = OutcomesShown),
        (status = 201, description = "All are new.", body = OutcomesShown),
        WriteProblems,
    ))]
pub(crate) async fn add_items(
    State(app): State<App>,
    write: Write<ItemsText>,
) -> Result<Answer<OutcomesShown>, Problem> {
    let items = write.body.read(app.ledger.shop().currency, write.who)?;
    let done = app.run(&write.key, &items).await?;
    answer(done, "#/items")
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use domain::item::TextField;
    use serde_json::{Map, Value, json};

    fn one(item: &Value) -> Value {
        json!({"items": [item]})
    }

    #[tokio::test]
    async fn every_text_goes_in_is_edited_and_comes_out() {
        let shop = TestShop::open().await;
        let all = |words: &str| {
            let texts = TextField::ALL.iter().map(|field| field.property());
            texts.map(|name| (name.to_owned(), json!(format!("{words} {name}")))).collect::<Map<_, _>>()
        };
        let shown = async |expected: &Map<String, Value>| {
            for path in ["/api/items/T1", "/api/listings?limit=100"] {
                let reply = shop.get(path).await.json();
                let listed =
                    reply["listings"].as_array().and_then(|all| all.iter().find(|l| l["sku"] == "T1"));
                for (name, text) in expected {
                    assert_eq!(&listed.unwrap_or(&reply)[name], text, "{path}");
                }
            }
        };
        let mut item = all("first");
        item.extend([("sku".to_owned(), json!("T1")), ("price".to_owned(), json!("5.00"))]);
        let reply = shop.post("/api/items", "k1", one(&Value::Object(item))).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
        shown(&all("first")).await;
        for field in TextField::ALL {
            let name = field.property();
            let edit = json!({name: format!("second {name}")});
            let reply = shop.patch("/api/items/T1", name, &[("if-match", "*")], edit).await;
            assert_eq!(reply.status, 200, "{}", reply.text());
        }
        shown(&all("second")).await;
    }

    #[tokio::test]
    async fn a_piece_is_weighed_and_priced() {
        let shop = TestShop::open().await;
        let item = json!({"name": "Moor cowl, heather", "sku": "C2", "style": "Moor cowl", "extras": "4.00",
            "weight": {"value": "6.35", "unitCode": "ONZ"}});
        let reply = shop.post("/api/items", "k1", one(&item)).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
        let outcome = reply.json()["outcomes"][0].clone();
        assert_eq!(
            (&outcome["outcome"], &outcome["sku"], &outcome["price"]),
            (&"added".into(), &"C2".into(), &"52.00".into())
        );
        // 6.35 × 7.50 = 47.625, half away from zero 47.63; with 4.00, 51.63; to the nearest whole amount, 52.
        let words = "6.35 oz × 7.50 an ounce = 47.63 + 4.00 extras → 52.00";
        assert_eq!(outcome["calculation"]["words"], words);
        let again = shop
            .post(
                "/api/items",
                "k2",
                one(&json!({"name": "Moor cowl, heather", "sku": "C2",
            "style": "Moor cowl", "extras": "4.00", "weight": {"value": "6.35", "unitCode": "ONZ"}})),
            )
            .await;
        assert_eq!(
            (again.status, &again.json()["outcomes"][0]),
            (200, &json!({"outcome": "unchanged", "sku": "C2"}))
        );
    }

    #[tokio::test]
    async fn of_several_each_says_what_became_of_it() {
        let shop = TestShop::open().await;
        // 952 is GS1's prefix for demonstrations (gs1.org, list of company prefixes).
        let items = json!({"items": [
            {"name": "Cards", "price": "3.50", "quantity": "25"},
            {"name": "Brown batts", "price": "2.10", "quantity": "12.5", "unitCode": "ONZ"},
            {"name": "Other", "price": "5.00", "gtin13": "9521234543213"},
            {"name": "Same number", "price": "5.00", "gtin13": "9521234543213"},
            {"name": "Nothing to price it by"},
            {"name": "Drop spindle", "sku": "SPINDLE", "price": "19.00", "quantity": "10"},
        ]});
        let reply = shop.post("/api/items", "k1", items).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        let page = reply.json();
        let outcomes: Vec<&str> = page["outcomes"]
            .as_array()
            .expect("outcomes")
            .iter()
            .filter_map(|o| o["outcome"].as_str())
            .collect();
        assert_eq!(outcomes, ["added", "added", "added", "refused", "refused", "updated"]);
        assert_eq!(page["outcomes"][3]["problem"]["type"], "/problems/code-taken");
        assert_eq!(page["outcomes"][4]["problem"]["errors"][0]["pointer"], "#/items/4/price");
        let code = page["outcomes"][1]["inStoreCode"].as_str().expect("a code");
        let batts = shop.get(&format!("/api/items/{code}")).await.json();
        assert_eq!(
            json!([batts["kind"], batts["onHand"], batts["unitCode"]]),
            json!(["weight", "12.500", "ONZ"])
        );
    }

    #[tokio::test]
    async fn a_wrong_value_names_its_place_and_nothing_is_added() {
        let shop = TestShop::open().await;
        let check = |item: Value, field: &'static str| {
            let shop = &shop;
            async move {
                let reply = shop.post("/api/items", &item.to_string(), one(&item)).await;
                reply.expect_fault(&format!("#/items/0/{field}"));
            }
        };
        check(json!({"name": ""}), "name").await;
        check(json!({"name": "a", "price": "0.00"}), "price").await;
        check(json!({"name": "a", "price": "-4.00"}), "price").await;
        check(json!({"name": "a", "price": "4.005"}), "price").await;
        check(json!({"name": "a", "price": 4}), "price").await;
        check(json!({"name": "a", "price": "4", "cost": "-1"}), "cost").await;
        check(json!({"name": "a", "price": "4", "kind": "animal"}), "kind").await;
        check(json!({"name": "a", "price": "4", "kind": "piece", "quantity": "2"}), "quantity").await;
        check(json!({"name": "a", "price": "4", "kind": "weight"}), "unitCode").await;
        check(json!({"name": "a", "price": "4", "quantity": "1", "unitCode": "oz"}), "unitCode").await;
        check(json!({"name": "a", "price": "4", "gtin13": "9521234543214"}), "gtin13").await;
        check(json!({"name": "a", "price": "4", "gtin13": "2000000000015"}), "gtin13").await;
        check(json!({"name": "a", "price": "4", "sku": " "}), "sku").await;
        check(json!({"name": "a", "weight": {"value": "0", "unitCode": "ONZ"}}), "weight/value").await;
        check(json!({"name": "a", "weight": {"value": "5000", "unitCode": "KGM"}}), "weight/value").await;
        check(json!({"name": "a", "weight": {"value": "5", "unit": "ONZ"}}), "weight/unit").await;
        check(json!({"name": "a", "style": "No such", "weight": {"value": "5", "unitCode": "ONZ"}}), "style")
            .await;
        check(json!({"name": "a", "price": "4", "description": "card 4000 0000 0000 0002"}), "description")
            .await;
        check(json!({"name": "a\u{0}", "price": "4"}), "name").await;
        check(json!({"name": "a", "price": "4", "onHand": "7"}), "onHand").await;
        let count = shop.get("/api/items").await.json()["items"].as_array().map(Vec::len);
        assert_eq!(count, Some(4));
    }

    #[tokio::test]
    async fn five_hundred_at_once_and_not_one_more() {
        let shop = TestShop::open().await;
        let items = |count: usize| {
            let item = |n| json!({"name": format!("Card {n}"), "price": "3.50", "quantity": "1"});
            json!({"items": (0..count).map(item).collect::<Vec<_>>()})
        };
        shop.post("/api/items", "k1", items(501)).await.expect_fault("#/items");
        shop.post("/api/items", "k2", items(0)).await.expect_fault("#/items");
        let reply = shop.post("/api/items", "k3", items(500)).await;
        assert_eq!((reply.status, reply.json()["outcomes"].as_array().map(Vec::len)), (201, Some(500)));
    }
}
