//! GET and POST /shelf/styles/new: a style is added. POST /shelf/styles/for-piece begins the same at the Workbench,
//! and carries the piece along that was typed there. GET /shelf/styles/prices is the preview of the rule's prices.

use super::find::Choice;
use super::reprice::RuleText;
use super::{Way, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::pages::upload::{KEPT, PhotoForm};
use crate::pages::workbench::piece;
use crate::pages::workbench::typed::{CARRIED, PRICE_IT, Typed};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::ids::StyleId;
use domain::money::Money;
use domain::weight::{Weight, WeightUnit};
use ledger::Shop;
use ledger::shelf::{AddStyle, NewStyle, PictureName};

/// The button that goes back to the piece without a style.
const BACK: &str = "back";
/// A weight, what a piece of it would cost, and why.
struct Example {
    weight: String,
    price: String,
    calculation: String,
}

/// What pieces of three weights would cost.
#[derive(Default)]
struct Examples {
    prices: Vec<Example>,
    faults: Faults,
}

/// A light, a usual and a heavy piece: common practice, no source.
fn weights(unit: WeightUnit) -> [Option<Weight>; 3] {
    let digits = match unit {
        WeightUnit::Ounce => ["3", "6", "12"],
        WeightUnit::Pound => ["0.25", "0.5", "1"],
        WeightUnit::Gram => ["100", "200", "400"],
        WeightUnit::HundredGrams => ["1", "2", "4"],
        WeightUnit::Kilogram => ["0.1", "0.2", "0.4"],
    };
    digits.map(|digits| Weight::parse(digits, unit).ok())
}

impl Examples {
    fn of(rule: &RuleText, shop: &Shop) -> Self {
        if rule.rate.trim().is_empty() {
            return Self::default();
        }
        let rule = match rule.read(shop.currency) {
            Ok(rule) => rule,
            Err(faults) => return Self { faults, ..Self::default() },
        };
        let mut examples = Self::default();
        for weight in weights(shop.unit).into_iter().flatten() {
            match rule.price(weight, Money::zero(shop.currency)) {
                Ok(calculation) => examples.prices.push(Example {
                    weight: weight.to_string(),
                    price: shown::money(calculation.price),
                    calculation: calculation.shown(),
                }),
                Err(error) => examples.faults.add("rate", error),
            }
        }
        examples
    }
}

/// The preview by itself, without a page around it.
#[derive(Template)]
#[template(path = "shelf/style_prices.html")]
pub(crate) struct Fragment {
    examples: Examples,
}

/// GET /shelf/styles/prices
pub(crate) async fn read_prices(
    State(app): State<App>,
    QueryParam(rule): QueryParam<RuleText>,
) -> HtmlPage<Fragment> {
    HtmlPage(Fragment { examples: Examples::of(&rule, &app.ledger.shop()) })
}

/// The piece at the Workbench that the form carries along.
#[derive(Clone)]
struct Carried {
    typed: Typed,
    kept: Vec<PictureName>,
}

impl Carried {
    fn of(form: &Form) -> Option<Self> {
        let names = form.all(&format!("{CARRIED}{KEPT}"));
        let kept = names.into_iter().filter_map(|name| PictureName::parse(name).ok()).collect();
        form.has(CARRIED).then(|| Self { typed: Typed::carried(form), kept })
    }
}

#[derive(Default)]
struct Fields {
    name: String,
    rule: RuleText,
    sizes: String,
    category: String,
    care: String,
}

impl Fields {
    /// What most shops would begin with.
    fn first(shop: &Shop) -> Self {
        let unit = match shop.unit {
            // A gram of yarn costs cents.
            WeightUnit::Gram => WeightUnit::HundredGrams,
            unit => unit,
        };
        let rule =
            RuleText { unit: unit.code().to_owned(), ending: "whole".to_owned(), ..RuleText::default() };
        Self { rule, ..Self::default() }
    }

    fn of_form(form: &Form) -> Self {
        let text = |name| form.text(name).to_owned();
        let (name, sizes, category, care) = (text("name"), text("sizes"), text("category"), text("care"));
        Self { name, rule: RuleText::of_form(form), sizes, category, care }
    }

    fn style(&self, shop: &Shop) -> Result<AddStyle, Faults> {
        let mut faults = Faults::default();
        if self.name.is_empty() {
            faults.add("name", "enter the style’s name");
        }
        let rule = self.rule.read(shop.currency).map_err(|more| faults.join(more)).ok();
        let Some(rule) = rule.filter(|_| faults.is_empty()) else { return Err(faults) };
        let sizes = self.sizes.split(',').map(str::trim).filter(|size| !size.is_empty());
        Ok(AddStyle {
            style: NewStyle {
                name: self.name.clone(),
                rule,
                sizes: sizes.map(str::to_owned).collect(),
                category: self.category.clone(),
                care: self.care.clone(),
            },
        })
    }
}

#[derive(Template)]
#[template(path = "shelf/style_new.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    fields: Fields,
    units: Vec<Choice>,
    endings: Vec<Choice>,
    examples: Examples,
    carried: Option<Carried>,
    faults: Faults,
}

impl Page {
    fn new(app: &App, caller: &Caller, fields: Fields, carried: Option<Carried>, faults: Faults) -> Self {
        Self {
            frame: Frame::new(app, caller, Room::Shelf),
            ways: ways(caller, ""),
            units: fields.rule.units(),
            endings: fields.rule.endings(),
            examples: Examples::of(&fields.rule, &app.ledger.shop()),
            fields,
            carried,
            faults,
        }
    }
}

/// GET /shelf/styles/new
pub(crate) async fn read_form(State(app): State<App>, caller: Caller) -> HtmlPage<Page> {
    let fields = Fields::first(&app.ledger.shop());
    HtmlPage(Page::new(&app, &caller, fields, None, Faults::default()))
}

/// POST /shelf/styles/for-piece
pub(crate) async fn begin_for_piece(
    State(app): State<App>,
    sent: PhotoForm,
) -> Result<HtmlPage<Page>, Problem> {
    let (form, kept, faults) = sent.take_in(&app).await?;
    let carried = Carried { typed: Typed::of_form(&form), kept };
    let fields = Fields::first(&app.ledger.shop());
    Ok(HtmlPage(Page::new(&app, &form.caller, fields, Some(carried), faults)))
}

/// POST /shelf/styles/new
pub(crate) async fn add(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let (fields, carried) = (Fields::of_form(&form), Carried::of(&form));
    if let Some(carried) = carried.as_ref().filter(|_| form.has(BACK)) {
        return back(&app, &form.caller, carried.clone(), None).await;
    }
    let faults = match fields.style(&app.ledger.shop()) {
        _ if form.has(PRICE_IT) => Faults::default(),
        Err(faults) => faults,
        Ok(command) => match app.run(&form.key, &command).await {
            Ok(done) => return added(&app, &form.caller, done.answer, carried, fields.name).await,
            Err(problem) => Faults::of(problem)?.renamed(&[("style", "name")]),
        },
    };
    let status = if faults.is_empty() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let page = Page::new(&app, &form.caller, fields, carried, faults);
    Ok((status, HtmlPage(page)).into_response())
}

/// To the new style's page, or back to the piece for which it was added.
async fn added(
    app: &App,
    caller: &Caller,
    style: StyleId,
    carried: Option<Carried>,
    name: String,
) -> Result<Response, Problem> {
    match carried {
        Some(carried) => back(app, caller, carried, Some(name)).await,
        None => Ok(see_other(&format!("/shelf/styles/{style}"))),
    }
}

/// The Workbench with the piece as it was typed, and the new style chosen. Nothing of the piece is saved yet, so
/// this is its form shown again, not a redirect.
async fn back(
    app: &App,
    caller: &Caller,
    carried: Carried,
    added: Option<String>,
) -> Result<Response, Problem> {
    let Carried { mut typed, kept } = carried;
    if let Some(style) = &added {
        typed.style.clone_from(style);
    }
    let page = piece::Page::carried_back(app, caller, typed, kept, added).await?;
    Ok(HtmlPage(page).into_response())
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;

    const HAT: [(&str, &str); 8] = [
        ("name", "Fell hat"),
        ("rate", "6.90"),
        ("unit", "ONZ"),
        ("ending", "0.95"),
        ("minimum", "18"),
        ("sizes", "S, M , L"),
        ("category", "hats"),
        ("care", "Hand wash cool."),
    ];

    fn with<'a>(changed: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
        let mut fields = HAT.to_vec();
        fields.retain(|(name, _)| !changed.iter().any(|(other, _)| other == name));
        fields.extend(changed);
        fields
    }

    #[tokio::test]
    async fn a_style_is_added_once_and_never_changes_a_known_one() {
        let shop = TestShop::open().await;
        let first = shop.get("/shelf/styles/new").await;
        assert!(first.status == 200 && first.text().contains("value=\"ONZ\" selected"), "{}", first.text());
        let fields = with(&[("_key", "once")]);
        let reply = send(&shop, "/shelf/styles/new", &fields).await;
        assert_eq!(reply.status, 303, "{}", reply.text());
        let place = reply.header("location").expect("its page").to_owned();
        assert_eq!(send(&shop, "/shelf/styles/new", &fields).await.header("location"), Some(place.as_str()));
        let page = shop.get(&place).await;
        for words in ["<h1>Fell hat</h1>", "$6.90 an ounce", "minimum $18.00", "hats", "Hand wash cool."] {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
        let again = send(&shop, "/shelf/styles/new", &with(&[("name", "fell HAT"), ("rate", "9")])).await;
        assert_eq!(again.status, 422);
        let fault = "id=\"fault-name\">There is already a style “Fell hat”";
        assert!(again.text().contains(fault), "{fault} in {}", again.text());
        assert!(shop.get(&place).await.text().contains("$6.90 an ounce"));
    }

    #[tokio::test]
    async fn all_that_is_wrong_is_said_at_once_beside_its_field() {
        let shop = TestShop::open().await;
        let wrong = [("name", ""), ("rate", "much"), ("ending", "odd"), ("minimum", "dear")];
        let reply = send(&shop, "/shelf/styles/new", &with(&wrong)).await;
        assert_eq!(reply.status, 422);
        for field in ["name", "rate", "ending", "minimum"] {
            assert!(reply.text().contains(&format!("id=\"fault-{field}\"")), "{field}: {}", reply.text());
        }
        assert!(reply.text().contains("value=\"S, M , L\""), "what was typed stays: {}", reply.text());
        let barred = send(&shop, "/shelf/styles/new", &with(&[("sizes", "S|M")])).await;
        assert!(barred.text().contains("id=\"fault-sizes\""), "{}", barred.text());
    }

    #[tokio::test]
    async fn three_weights_show_what_the_rule_comes_to() {
        let shop = TestShop::open().await;
        let check = |query: &'static str, expected: &'static [&'static str]| {
            let shop = &shop;
            async move {
                let reply = shop.get(&format!("/shelf/styles/prices?{query}")).await;
                assert_eq!(reply.status, 200, "{}", reply.text());
                for words in expected {
                    assert!(reply.text().contains(words), "{query}: {words} in {}", reply.text());
                }
            }
        };
        // 3 × 6.90 = 20.70 → 20.95; 6 × 6.90 = 41.40 → 40.95; 12 × 6.90 = 82.80 → 82.95.
        let expected: &[&str] = &["3 oz", "$20.95", "6 oz × $6.90 an ounce = $41.40", "$40.95", "$82.95"];
        check("rate=6.90&unit=ONZ&ending=0.95&minimum=", expected).await;
        check("rate=6.90&unit=ONZ&ending=0.95&minimum=30", &["$30.00", "$40.95"]).await;
        check("rate=&unit=ONZ&ending=0.95", &["Enter a rate"]).await;
        check("rate=much&unit=ONZ&ending=0.95", &["“much” is not a rate"]).await;
        check("rate=0.000001&unit=ONZ&ending=exact", &["comes to 0"]).await;
        let shown = send(&shop, "/shelf/styles/new", &with(&[("price_it", "")])).await;
        assert!(shown.status == 200 && shown.text().contains("$40.95"), "{}", shown.text());
        assert_eq!(shop.ledger().styles().await.expect("styles").len(), 1, "nothing was saved");
    }

    #[tokio::test]
    async fn the_piece_at_the_workbench_comes_back_with_its_new_style() {
        let shop = TestShop::open().await;
        let piece = [
            ("piece.", ""),
            ("piece.weight", "6 oz"),
            ("piece.color", "fawn & \"white\""),
            ("piece.style", "Moor cowl"),
            ("piece.note", "needles 4 mm"),
        ];
        let wrong =
            send(&shop, "/shelf/styles/new", &with(&[piece.as_slice(), &[("rate", "")]].concat())).await;
        assert_eq!(wrong.status, 422);
        assert!(wrong.text().contains("name=\"piece.note\" value=\"needles 4 mm\""), "{}", wrong.text());
        let back = send(&shop, "/shelf/styles/new", &with(&piece)).await;
        assert_eq!(back.status, 200, "{}", back.text());
        for words in [
            "The style “Fell hat” is saved",
            "<option selected data-sizes=\"S|M|L\">Fell hat</option>",
            "name=\"weight\" value=\"6 oz\"",
            "value=\"fawn &#38; &#34;white&#34;\"",
            ">needles 4 mm</textarea>",
            "$40.95",
        ] {
            assert!(back.text().contains(words), "{words} in {}", back.text());
        }
        let none =
            send(&shop, "/shelf/styles/new", &with(&[piece.as_slice(), &[("back", "")]].concat())).await;
        assert!(
            none.text().contains("<option selected data-sizes=\"\">Moor cowl</option>"),
            "{}",
            none.text()
        );
    }
}
