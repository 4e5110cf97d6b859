//! GET and POST /shelf/styles/{id}/price: a new rate for a style, with every price that it changes.

use super::find::Choice;
use super::{Way, read, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::ids::StyleId;
use domain::money::{Currency, Money};
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::weight::WeightUnit;
use ledger::shelf::{NewPrice, RepricePreview, RepriceStyle, StyleView};
use serde::Deserialize;

/// The most changes that are listed; for more, only the sums are shown.
const SHOWN: usize = 2000;
const UNITS: [WeightUnit; 5] =
    [WeightUnit::Ounce, WeightUnit::Pound, WeightUnit::Gram, WeightUnit::HundredGrams, WeightUnit::Kilogram];
/// Endings to choose from; the style's own is added if it is not among them.
const ENDINGS: [(&str, &str); 6] = [
    ("exact", "None"),
    ("five", "Nearest 0.05"),
    ("whole", "Nearest whole"),
    ("0.50", "Ends in .50"),
    ("0.95", "Ends in .95"),
    ("0.99", "Ends in .99"),
];

/// A rule as it is typed.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct RuleText {
    pub(super) rate: String,
    pub(super) unit: String,
    pub(super) ending: String,
    pub(super) minimum: String,
}

impl RuleText {
    fn of_style(style: &StyleView) -> Self {
        let rule = style.rule;
        Self {
            rate: rule.rate.per().normalize().to_string(),
            unit: rule.rate.unit().code().to_owned(),
            ending: rule.ending.to_string(),
            minimum: rule.minimum.map(shown::plain).unwrap_or_default(),
        }
    }

    pub(super) fn of_form(form: &Form) -> Self {
        let text = |name| form.text(name).to_owned();
        Self { rate: text("rate"), unit: text("unit"), ending: text("ending"), minimum: text("minimum") }
    }

    /// The rule, or all that is wrong with it.
    pub(super) fn read(&self, currency: Currency) -> Result<PriceRule, Faults> {
        let mut faults = Faults::default();
        let rate = WeightRate::parse(self.rate.trim(), &self.unit);
        let rate = rate.map_err(|error| faults.add("rate", error)).ok();
        let ending = PriceEnding::parse(&self.ending, currency);
        let ending = ending.map_err(|error| faults.add("ending", error)).ok();
        let minimum = read::money("minimum", &self.minimum, currency);
        let minimum = minimum.map_err(|more| faults.join(more)).ok();
        match (rate, ending, minimum) {
            (Some(rate), Some(ending), Some(minimum)) => Ok(PriceRule { rate, ending, minimum }),
            _ => Err(faults),
        }
    }

    pub(super) fn units(&self) -> Vec<Choice> {
        let choice = |unit: WeightUnit| Choice {
            value: unit.code().to_owned(),
            words: unit.each().trim_start_matches("an ").trim_start_matches("a ").to_owned(),
            is_chosen: unit.code() == self.unit,
        };
        UNITS.into_iter().map(choice).collect()
    }

    pub(super) fn endings(&self) -> Vec<Choice> {
        let is_same = |value: &str| {
            let plain = |text: &str| text.trim_end_matches('0').to_owned();
            if value.starts_with('0') { plain(value) == plain(&self.ending) } else { value == self.ending }
        };
        let choice = |(value, words): (&str, &str)| Choice {
            value: value.to_owned(),
            words: words.to_owned(),
            is_chosen: is_same(value),
        };
        let mut endings: Vec<Choice> = ENDINGS.into_iter().map(choice).collect();
        if !endings.iter().any(|e| e.is_chosen) && !self.ending.is_empty() {
            let words = format!("Ends in {}", self.ending.trim_start_matches('0'));
            endings.push(Choice { value: self.ending.clone(), words, is_chosen: true });
        }
        endings
    }
}

struct ChangeShown {
    name: String,
    sku: String,
    weight: String,
    old: String,
    new: String,
    difference: String,
    is_held: bool,
}

fn change(price: &NewPrice) -> ChangeShown {
    ChangeShown {
        name: price.name.clone(),
        sku: price.sku.clone(),
        weight: price.weight.to_string(),
        old: shown::money(price.old),
        new: shown::money(price.new),
        difference: signed(price.new.minor() - price.old.minor(), price.old.currency()),
        is_held: price.is_held,
    }
}

fn signed(minor: i64, currency: Currency) -> String {
    let amount = Money::from_minor(minor.abs(), currency).map(shown::money).unwrap_or_default();
    format!("{}{amount}", if minor < 0 { "-" } else { "+" })
}

struct PreviewShown {
    changes: Vec<ChangeShown>,
    count: usize,
    more: usize,
    same: usize,
    by_hand: usize,
    impossible: Vec<(String, String)>,
    /// By how much all of them together go up or down.
    sum: String,
    mark: String,
}

fn preview_shown(preview: &RepricePreview, currency: Currency) -> PreviewShown {
    let difference = |c: &NewPrice| c.new.minor() - c.old.minor();
    PreviewShown {
        changes: preview.changes.iter().take(SHOWN).map(change).collect(),
        count: preview.changes.len(),
        more: preview.changes.len().saturating_sub(SHOWN),
        same: preview.same,
        by_hand: preview.by_hand,
        impossible: preview
            .impossible
            .iter()
            .map(|(sku, why)| (sku.clone(), words::not_priced(why)))
            .collect(),
        sum: signed(preview.changes.iter().map(difference).sum(), currency),
        mark: preview.mark.clone(),
    }
}

#[derive(Template)]
#[template(path = "shelf/reprice.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    path: String,
    style: StyleView,
    rule: RuleText,
    units: Vec<Choice>,
    endings: Vec<Choice>,
    preview: Option<PreviewShown>,
    faults: Faults,
}

/// The page with the preview of a rule, or with the rule's faults.
async fn page(app: &App, caller: &Caller, id: StyleId, rule: Option<RuleText>) -> Result<Page, Problem> {
    let style = app.ledger.style(id).await?;
    let currency = app.ledger.shop().currency;
    let (preview, faults) = match rule.as_ref().map(|rule| rule.read(currency)) {
        None => (None, Faults::default()),
        Some(Err(faults)) => (None, faults),
        Some(Ok(read)) => match app.ledger.preview_reprice(id, &read).await {
            Ok(preview) => (Some(preview_shown(&preview, currency)), Faults::default()),
            Err(failure) => (None, Faults::of(failure.into())?),
        },
    };
    let rule = rule.unwrap_or_else(|| RuleText::of_style(&style));
    Ok(Page {
        frame: Frame::new(app, caller, Room::Shelf),
        ways: ways(caller, ""),
        path: format!("/shelf/styles/{id}"),
        units: rule.units(),
        endings: rule.endings(),
        style,
        rule,
        preview,
        faults,
    })
}

/// GET /shelf/styles/{id}/price
pub(crate) async fn preview(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<StyleId>,
    QueryParam(rule): QueryParam<RuleText>,
) -> Result<Response, Problem> {
    let is_asked = [&rule.rate, &rule.unit, &rule.ending, &rule.minimum].iter().any(|t| !t.is_empty());
    let page = page(&app, &caller, id, is_asked.then_some(rule)).await?;
    let status = if page.faults.is_empty() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    Ok((status, HtmlPage(page)).into_response())
}

/// POST /shelf/styles/{id}/price
pub(crate) async fn reprice(
    State(app): State<App>,
    PathParam(id): PathParam<StyleId>,
    form: Form,
) -> Result<Response, Problem> {
    let rule = RuleText::of_form(&form);
    let faults = match rule.read(app.ledger.shop().currency) {
        Err(faults) => faults,
        Ok(read) => {
            let revision = form.text("revision").parse().unwrap_or(0);
            let (mark, who) = (form.text("mark").to_owned(), form.caller.who.clone());
            let command = RepriceStyle { style: id, revision, rule: read, mark, who };
            match app.run(&form.key, &command).await {
                Ok(done) => {
                    return Ok(see_other(&format!("/shelf/styles/{id}?changed={}", done.answer.changed)));
                }
                Err(problem) => Faults::of_edit(problem, "style")?.0,
            }
        }
    };
    let page = Page { faults, ..page(&app, &form.caller, id, Some(rule)).await? };
    Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use super::super::style::tests::path;
    use crate::testing::TestShop;

    fn mark_in(page: &str) -> String {
        let after = page.split_once("name=\"mark\" value=\"").expect("a preview").1;
        after.split('"').next().unwrap_or_default().to_owned()
    }

    #[tokio::test]
    async fn every_change_is_seen_before_it_is_made() {
        let shop = TestShop::open().await;
        let path = path(&shop).await;
        let form = shop.get(&format!("{path}/price")).await;
        assert!(form.text().contains("name=\"rate\" value=\"7.5\""), "{}", form.text());
        let preview = shop.get(&format!("{path}/price?rate=8&unit=ONZ&ending=whole&minimum=")).await;
        assert_eq!(preview.status, 200, "{}", preview.text());
        // 6.35 × 8 = 50.80, which rounds to 51; 5.6 × 8 = 44.80, which rounds to 45.
        for words in ["$48.00", "$51.00", "+$3.00", "$42.00", "$45.00", "2 prices change", "+$6.00"] {
            assert!(preview.text().contains(words), "{words} in {}", preview.text());
        }
        assert_eq!(shop.get("/api/items/COWL").await.json()["price"], "48.00", "a look changes nothing");
        let mark = mark_in(preview.text());
        let rule = [("rate", "8"), ("unit", "ONZ"), ("ending", "whole"), ("minimum", ""), ("revision", "1")];
        let unseen = [rule.as_slice(), &[("mark", "of another time"), ("_key", "j")]].concat();
        let refused = send(&shop, &format!("{path}/price"), &unseen).await;
        assert!(refused.status == 422 && refused.text().contains("after the preview"), "{}", refused.text());
        assert_eq!(mark_in(refused.text()), mark, "it is asked again at once");
        let fields = [rule.as_slice(), &[("mark", &mark), ("_key", "k")]].concat();
        let reply = send(&shop, &format!("{path}/price"), &fields).await;
        let done = format!("{path}?changed=2");
        assert_eq!((reply.status, reply.header("location")), (303, Some(done.as_str())), "{}", reply.text());
        assert_eq!(shop.get("/api/items/COWL").await.json()["price"], "51.00");
        let again = send(&shop, &format!("{path}/price"), &fields).await;
        assert_eq!((again.status, again.header("location")), (303, Some(done.as_str())));
        assert!(shop.get(&done).await.text().contains("2 prices changed"));
        let late = send(&shop, &format!("{path}/price"), &fields[..6]).await;
        assert!(
            late.status == 422 && late.text().contains("Someone else changed this style"),
            "{}",
            late.text()
        );
    }

    #[tokio::test]
    async fn a_rule_that_cannot_be_is_said_beside_its_field() {
        let shop = TestShop::open().await;
        let path = path(&shop).await;
        let check = |query: &'static str, field: &'static str| {
            let (shop, path) = (&shop, &path);
            async move {
                let reply = shop.get(&format!("{path}/price?{query}")).await;
                assert_eq!(reply.status, 422, "{query}: {}", reply.text());
                assert!(reply.text().contains(&format!("id=\"fault-{field}\"")), "{query}: {}", reply.text());
            }
        };
        check("rate=much&unit=ONZ&ending=whole", "rate").await;
        check("rate=8&unit=TON&ending=whole", "rate").await;
        check("rate=8&unit=ONZ&ending=odd", "ending").await;
        check("rate=8&unit=ONZ&ending=whole&minimum=-1", "minimum").await;
        let own = shop.get(&format!("{path}/price?rate=8&unit=ONZ&ending=0.75")).await;
        assert!(own.text().contains("<option value=\"0.75\" selected>"), "{}", own.text());
        let tiny = shop.get(&format!("{path}/price?rate=0.000001&unit=ONZ&ending=exact")).await;
        assert!(
            tiny.text().contains("comes to 0") && !tiny.text().contains("name=\"revision\""),
            "{}",
            tiny.text()
        );
    }
}
