//! GET and POST /shelf/items/{code}/edit: an item's text, weight, style, price and cost, with the price that they
//! lead to. GET /shelf/items/{code}/price is that price by itself, for the script of the page.

use super::{Way, tag, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::pages::workbench::price::{Fragment, Slip};
use crate::pages::workbench::typed::{PRICE_IT, Typed};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::color;
use domain::item::{TextEdit, TextField};
use domain::stock::ItemKind;
use domain::text::fold;
use domain::weight::Weight;
use ledger::Shop;
use ledger::shelf::{CostChange, EditItem, ItemView, PriceChange, StyleView};
use serde::Deserialize;

/// For an item that was weighed.
const NO_READING: &str =
    "enter the scale reading; a weight can be corrected, but an item that was weighed keeps one";

/// The fields of the form as they were typed.
#[derive(Clone, Debug, Default)]
struct Fields {
    typed: Typed,
    brand: String,
    do_not_list: bool,
    /// Whether the price was an override when the form was read: then an empty field goes back to the rule.
    by_hand: bool,
    /// The revision that the edit is based on.
    revision: String,
}

impl Fields {
    fn of_item(item: &ItemView) -> Self {
        let text = item.text.clone();
        let typed = Typed {
            weight: item.weight.map(|w| w.to_string()).unwrap_or_default(),
            style: item.style.clone().unwrap_or_default(),
            size: text.size,
            color: color::shown(&text.color),
            material: text.material,
            name: text.name,
            description: text.description,
            extras: if item.extras.is_zero() { String::new() } else { shown::plain(item.extras) },
            price: if item.priced_by_hand { shown::plain(item.price) } else { String::new() },
            cost: item.cost.map(shown::plain).unwrap_or_default(),
            ..Typed::default()
        };
        let (do_not_list, by_hand) = (item.do_not_list, item.priced_by_hand);
        Self { typed, brand: text.brand, do_not_list, by_hand, revision: item.revision.to_string() }
    }

    fn of_form(form: &Form) -> Self {
        Self {
            typed: Typed::of_form(form),
            brand: form.text("brand").to_owned(),
            do_not_list: form.has("do_not_list"),
            by_hand: form.text("by_hand") == "yes",
            revision: form.text("revision").to_owned(),
        }
    }

    /// A field of the form as it was typed.
    fn text(&self, field: TextField) -> &str {
        match field {
            TextField::Name => &self.typed.name,
            TextField::Description => &self.typed.description,
            TextField::Color => &self.typed.color,
            TextField::Size => &self.typed.size,
            TextField::Material => &self.typed.material,
            TextField::Brand => &self.brand,
        }
    }

    /// The texts that are other than the item's: what nobody touched stays exactly as it is.
    fn text_edit(&self, shown: &Self) -> TextEdit {
        let differs = |field: &&TextField| !is_same(self.text(**field), shown.text(**field));
        let changed = TextField::ALL.iter().filter(differs);
        changed.fold(TextEdit::default(), |edit, field| edit.with(*field, self.text(*field).to_owned()))
    }

    /// The weight, if another was typed.
    fn weight(&self, shown: &Self, weight: Option<Weight>) -> Option<Weight> {
        weight.filter(|_| self.typed.weight != shown.typed.weight || !self.typed.tare.is_empty())
    }

    fn edit(&self, shop: &Shop, item: &ItemView, who: &str) -> Result<EditItem, Faults> {
        let piece = self.typed.read(shop, Vec::new());
        if item.kind != ItemKind::Weight && item.weight.is_some() && self.typed.weight.is_empty() {
            let mut faults = piece.err().unwrap_or_default();
            faults.add("weight", NO_READING);
            return Err(faults);
        }
        let (piece, shown) = (piece?, Self::of_item(item));
        let price = match piece.pricing.price {
            Some(price) => Some(PriceChange::Hand(price)),
            None => self.by_hand.then_some(PriceChange::Rule),
        };
        let code = Code::parse(&item.in_store).map_err(|error| Faults::one("", error.to_string()))?;
        Ok(EditItem {
            // A revision that cannot be parsed is one that the item never had.
            revision: Some(self.revision.parse().unwrap_or(0)),
            text: self.text_edit(&shown),
            style: Some(self.typed.style.clone()),
            price,
            weight: self.weight(&shown, piece.pricing.weight),
            extras: Some(piece.pricing.extras),
            cost: Some(piece.pricing.cost.map_or(CostChange::Unknown, CostChange::Is)),
            do_not_list: Some(self.do_not_list),
            reason: Some(self.typed.reason.clone()),
            ..EditItem::new(code, who)
        })
    }

    /// The same fields to be saved over what someone else saved meanwhile, which is said beside each field that it
    /// differs in.
    fn over(mut self, saved: Self, faults: &mut Faults) -> Self {
        for field in TextField::ALL {
            if !is_same(self.text(*field), saved.text(*field)) {
                faults.note_saved(field.property(), self.text(*field), saved.text(*field));
            }
        }
        let (typed, now) = (&self.typed, &saved.typed);
        for (field, typed, now) in [
            ("weight", &typed.weight, &now.weight),
            ("style", &typed.style, &now.style),
            ("price", &typed.price, &now.price),
            ("extras", &typed.extras, &now.extras),
            ("cost", &typed.cost, &now.cost),
        ] {
            faults.note_saved(field, typed, now);
        }
        (self.revision, self.by_hand) = (saved.revision, saved.by_hand);
        self
    }
}

/// Whether a text is the one that was shown. Forms trim it, and browsers end its lines with two characters.
fn is_same(typed: &str, shown: &str) -> bool {
    typed.replace("\r\n", "\n").trim() == shown.trim()
}

#[derive(Template)]
#[template(path = "shelf/item_edit.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    path: String,
    title: String,
    fields: Fields,
    styles: Vec<StyleView>,
    sizes: Vec<String>,
    is_weighed: bool,
    unit: &'static str,
    slip: Slip,
    faults: Faults,
}

impl Page {
    async fn new(
        app: &App,
        caller: &Caller,
        item: ItemView,
        fields: Fields,
        edit: Option<&EditItem>,
        faults: Faults,
    ) -> Result<Self, Problem> {
        let styles = app.ledger.styles().await?;
        let chosen = styles.iter().find(|style| fold(&style.name) == fold(&fields.typed.style));
        let slip = match edit {
            Some(edit) => Slip::of_edit(app, edit).await?,
            None => Slip::default(),
        };
        Ok(Self {
            frame: Frame::new(app, caller, Room::Shelf),
            ways: ways(caller, ""),
            path: tag::path(&item.in_store),
            sizes: chosen.map(|style| style.sizes.clone()).unwrap_or_default(),
            is_weighed: item.kind != ItemKind::Weight,
            unit: app.ledger.shop().unit.plural(),
            title: item.text.name,
            fields,
            styles,
            slip,
            faults,
        })
    }

    fn is_chosen(&self, style: &StyleView) -> bool {
        fold(&style.name) == fold(&self.fields.typed.style)
    }
}

/// GET /shelf/items/{code}/edit
pub(crate) async fn read_form(
    State(app): State<App>,
    caller: Caller,
    PathParam(code): PathParam<Code>,
) -> Result<HtmlPage<Page>, Problem> {
    let item = app.ledger.item(&code).await?;
    let fields = Fields::of_item(&item);
    let nothing = EditItem::new(code, &caller.who);
    Ok(HtmlPage(Page::new(&app, &caller, item, fields, Some(&nothing), Faults::default()).await?))
}

/// POST /shelf/items/{code}/edit
pub(crate) async fn edit(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    form: Form,
) -> Result<Response, Problem> {
    let mut fields = Fields::of_form(&form);
    let mut item = app.ledger.item(&code).await?;
    let read = fields.edit(&app.ledger.shop(), &item, &form.caller.who);
    let faults = match &read {
        Err(faults) => faults.clone(),
        Ok(_) if form.has(PRICE_IT) => Faults::default(),
        Ok(edit) => match app.run(&form.key, edit).await {
            Ok(_) => return Ok(see_other(&tag::path(code.as_str()))),
            Err(problem) => {
                let (faults, changed) = Faults::of_edit(problem, "item")?;
                let mut faults = faults.renamed(&[("offers.price", "price"), ("weight.value", "weight")]);
                if changed.is_some() {
                    item = app.ledger.item(&code).await?;
                    fields = fields.over(Fields::of_item(&item), &mut faults);
                }
                faults
            }
        },
    };
    let status = if faults.is_empty() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let page = Page::new(&app, &form.caller, item, fields, read.as_ref().ok(), faults).await?;
    Ok((status, HtmlPage(page)).into_response())
}

/// The fields that the price depends on.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct PriceQuery {
    weight: String,
    tare: String,
    style: String,
    extras: String,
    price: String,
    cost: String,
    by_hand: String,
}

/// GET /shelf/items/{code}/price
pub(crate) async fn read_price(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    QueryParam(query): QueryParam<PriceQuery>,
) -> Result<HtmlPage<Fragment>, Problem> {
    let by_hand = query.by_hand == "yes";
    let PriceQuery { weight, tare, style, extras, price, cost, .. } = query;
    let typed = Typed { weight, tare, style, extras, price, cost, ..Typed::default() };
    let fields = Fields { typed, by_hand, ..Fields::default() };
    let item = app.ledger.item(&code).await?;
    let slip = match fields.edit(&app.ledger.shop(), &item, "") {
        // The texts have no part in the price.
        Ok(edit) => Slip::of_edit(&app, &EditItem { text: TextEdit::default(), ..edit }).await?,
        Err(faults) => Slip { faults, ..Slip::default() },
    };
    Ok(HtmlPage(Fragment { slip }))
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;
    use serde_json::json;

    const PATH: &str = "/shelf/items/COWL/edit";

    /// The form as it is read, with some fields changed.
    fn fields<'a>(revision: &'a str, changed: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
        let mut fields = vec![
            ("name", "Moor cowl"),
            ("weight", "6.35 oz"),
            ("tare", ""),
            ("style", "Moor cowl"),
            ("cost", "12.50"),
            ("revision", revision),
        ];
        fields.retain(|(name, _)| !changed.iter().any(|(other, _)| other == name));
        fields.extend(changed);
        fields
    }

    #[tokio::test]
    async fn words_are_changed_by_the_revision_that_was_read() {
        let shop = TestShop::open().await;
        let form = shop.get(PATH).await;
        assert!(form.text().contains("name=\"revision\" value=\"1\""), "{}", form.text());
        let words = [
            ("name", "Fell cowl"),
            ("color", "fawn, dark moss"),
            ("brand", "Larkfell"),
            ("do_not_list", "yes"),
        ];
        let reply = send(&shop, PATH, &fields("1", &words)).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
        let item = shop.get("/api/items/COWL").await.json();
        assert_eq!((&item["name"], &item["color"]), (&"Fell cowl".into(), &"fawn|dark moss".into()));
        assert_eq!((&item["doNotList"], &item["price"]), (&true.into(), &"48.00".into()));
        let check = |name: &'static str, revision: &'static str, words: &'static str| {
            let shop = &shop;
            async move {
                let reply = send(shop, PATH, &fields(revision, &[("name", name)])).await;
                assert_eq!(reply.status, 422, "{words}: {}", reply.text());
                assert!(reply.text().contains(words), "{words} in {}", reply.text());
            }
        };
        check("Late cowl", "1", "Someone else changed this item. Check it and save again.").await;
        check("Late cowl", "", "Someone else changed this item.").await;
        check("Late cowl", "1", "“Fell cowl” is saved.").await;
        check("Late cowl", "1", "name=\"revision\" value=\"2\"").await;
        check("", "2", "id=\"fault-name\"").await;
        check("5500 0000 0000 0004", "2", "card numbers are never").await;
        assert_eq!(shop.get("/api/items/COWL").await.json()["name"], "Fell cowl");
        // With the revision that the page shows now, it is saved.
        assert_eq!(send(&shop, PATH, &fields("2", &[("name", "Late cowl")])).await.status, 303);
        assert_eq!(shop.get("/api/items/COWL").await.json()["name"], "Late cowl");
    }

    #[tokio::test]
    async fn what_nobody_touched_stays_as_it_is() {
        let shop = TestShop::open().await;
        let texts =
            json!({"color": "grey with white|moss", "description": "One.\nTwo.\n", "material": "100 % wool"});
        let reply = shop.patch("/api/items/COWL", "k", &[("if-match", "*")], texts).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        let before = shop.get("/api/items/COWL").await.json();
        let cost = [
            ("name", "Moor cowl, grey with white, moss"),
            ("color", "grey with white, moss"),
            // As a browser sends it.
            ("description", "One.\r\nTwo."),
            ("material", "100 % wool"),
            ("cost", "13.00"),
            ("reason", "yarn was dearer"),
        ];
        let reply = send(&shop, PATH, &fields("2", &cost)).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
        let after = shop.get("/api/items/COWL").await.json();
        for field in ["color", "description", "material", "name", "weight", "price"] {
            assert_eq!(before[field], after[field], "{field}");
        }
        let log = shop.get("/settings/activity").await;
        let entry = ">cost $12.50 → $13.00; yarn was dearer</td>";
        assert!(log.text().contains(entry), "nothing else changed: {}", log.text());
    }

    #[tokio::test]
    async fn a_weighed_item_keeps_a_weight() {
        let shop = TestShop::open().await;
        let reply = send(&shop, PATH, &fields("1", &[("weight", ""), ("reason", "wrong")])).await;
        assert_eq!(reply.status, 422, "{}", reply.text());
        assert!(reply.text().contains("id=\"fault-weight\">Enter the scale reading"), "{}", reply.text());
        let slip = shop.get("/shelf/items/COWL/price?weight=&style=Moor+cowl").await;
        assert!(slip.text().contains("Enter the scale reading"), "{}", slip.text());
        // What was never weighed needs none.
        let spindle = [("name", "Drop spindle"), ("price", "18.00"), ("by_hand", "yes"), ("revision", "1")];
        let reply = send(&shop, "/shelf/items/SPINDLE/edit", &spindle).await;
        assert!(!reply.text().contains("fault-weight"), "{}", reply.text());
    }

    #[tokio::test]
    async fn what_was_weighed_wrong_is_corrected_with_its_reason_and_the_price_follows() {
        let shop = TestShop::open().await;
        let weight = [("weight", "8.53 oz"), ("tare", "2 oz")];
        let refused = send(&shop, PATH, &fields("1", &weight)).await;
        assert_eq!(refused.status, 422, "{}", refused.text());
        assert!(refused.text().contains("id=\"fault-reason\""), "{}", refused.text());
        let with_reason = [weight.as_slice(), &[("reason", "bowl was on the scale")]].concat();
        let reply = send(&shop, PATH, &fields("1", &with_reason)).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
        // 6.53 × 7.50 = 48.975, to the cent 48.98, to the whole 49.
        let item = shop.get("/api/items/COWL").await.json();
        assert_eq!((&item["weight"]["value"], &item["price"]), (&"6.53".into(), &"49.00".into()));
        let log = shop.get("/settings/activity").await;
        for words in
            ["corrected an item", "weight 6.35 oz → 6.53 oz", "$48.00 → $49.00", "bowl was on the scale"]
        {
            assert!(log.text().contains(words), "{words} in {}", log.text());
        }
    }

    #[tokio::test]
    async fn an_override_is_set_and_taken_off_again() {
        let shop = TestShop::open().await;
        let price = |revision: &'static str,
                     more: &'static [(&'static str, &'static str)],
                     expected: (&'static str, &'static str)| {
            let shop = &shop;
            async move {
                let reply = send(shop, PATH, &fields(revision, more)).await;
                assert_eq!(reply.status, 303, "{}", reply.text());
                let item = shop.get("/api/items/COWL").await.json();
                assert_eq!(
                    (item["price"].as_str(), item["pricedBy"].as_str()),
                    (Some(expected.0), Some(expected.1))
                );
            }
        };
        price("1", &[("price", "40"), ("reason", "a flaw")], ("40.00", "hand")).await;
        let form = shop.get(PATH).await;
        for words in ["name=\"by_hand\" value=\"yes\"", "name=\"price\" value=\"40.00\""] {
            assert!(form.text().contains(words), "{words} in {}", form.text());
        }
        price("2", &[("price", "40.00"), ("by_hand", "yes"), ("size", "M")], ("40.00", "hand")).await;
        price("3", &[("price", ""), ("by_hand", "yes"), ("reason", "mended")], ("48.00", "rule")).await;
        price("4", &[("cost", ""), ("reason", "was another's")], ("48.00", "rule")).await;
        assert_eq!(shop.get("/api/items/COWL").await.json()["cost"], json!(null));
        let none = send(&shop, PATH, &fields("5", &[("style", ""), ("reason", "no style")])).await;
        assert!(none.status == 422 && none.text().contains("id=\"fault-price\""), "{}", none.text());
    }

    #[tokio::test]
    async fn the_way_to_the_price_is_shown_before_it_is_saved() {
        let shop = TestShop::open().await;
        let check = |query: &'static str, expected: &'static [&'static str]| {
            let shop = &shop;
            async move {
                let reply = shop.get(&format!("/shelf/items/COWL/price?{query}")).await;
                assert_eq!(reply.status, 200, "{}", reply.text());
                for words in expected {
                    assert!(reply.text().contains(words), "{query}: {words} in {}", reply.text());
                }
                assert!(!reply.text().contains("<html"), "{}", reply.text());
            }
        };
        check("weight=6.35&style=Moor+cowl&cost=12.50", &["$48.00", "6.35 oz × $7.50 an ounce", "$35.50"])
            .await;
        check("weight=8&tare=2&style=Moor+cowl", &["$45.00", "Price now $48.00", "6 oz × $7.50"]).await;
        check("weight=6.35&style=Moor+cowl&price=40", &["$40.00", "Price override", "rounded to $48.00"])
            .await;
        check("weight=six&style=Moor+cowl", &["“six” is not a weight"]).await;
        check("weight=6.35&style=None+such", &["no style “None such”"]).await;
        assert_eq!(shop.get("/shelf/items/COWL/price?colour=x").await.status, 422);
        let priced = send(&shop, PATH, &fields("1", &[("weight", "6 oz"), ("price_it", "")])).await;
        assert!(priced.status == 200 && priced.text().contains("$45.00"), "{}", priced.text());
        assert_eq!(shop.get("/api/items/COWL").await.json()["price"], "48.00", "nothing was saved");
    }
}
