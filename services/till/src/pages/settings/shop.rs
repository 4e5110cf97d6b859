//! POST /settings/shop: name, currency, time zone, weight unit, address of the pictures.

use super::{change, kept, room};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::frame::HtmlPage;
use crate::pages::shown::moment;
use crate::problem::Problem;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::day::{Moment, Zone};
use domain::shop_color::ShopColor;
use ledger::Shop;

/// The settings of the form, by their fields' names.
const KEYS: [&str; 7] = ["name", "currency", "zone", "unit", "image_base", "color", "blank_orders_after"];

#[derive(Debug, Default)]
pub(crate) struct ShopFields {
    pub(super) name: String,
    pub(super) currency: String,
    pub(super) zone: String,
    pub(super) unit: String,
    pub(super) image_base: String,
    /// As it was typed.
    pub(super) color: String,
    /// As it is saved, which the picker shows, and tells which of the two fields was changed.
    pub(super) saved_color: String,
    /// Whether the saved one is hard to see on paper.
    pub(super) is_faint: bool,
    /// Days; empty for never.
    pub(super) blank_orders_after: String,
    /// What time it is in the zone.
    pub(super) time: Option<String>,
    pub(super) faults: Faults,
}

impl ShopFields {
    pub(super) fn of(shop: &Shop, now: Moment) -> Self {
        Self {
            name: shop.name.clone(),
            currency: shop.currency.to_string(),
            zone: shop.zone.name().to_owned(),
            unit: shop.unit.code().to_owned(),
            image_base: shop.image_base.clone().unwrap_or_default(),
            color: shop.color.to_string(),
            saved_color: shop.color.to_string(),
            is_faint: shop.color.is_faint(),
            blank_orders_after: shop.order_days.map(|days| days.to_string()).unwrap_or_default(),
            time: Some(moment(&shop.zone, now)),
            faults: Faults::default(),
        }
    }

    fn typed(form: &Form, now: Moment) -> Self {
        let text = |name: &str| form.text(name).to_owned();
        let (zone, faults) = match Zone::from_name(form.text("zone")) {
            Ok(zone) => (Some(zone), Faults::default()),
            Err(error) => (None, Faults::one("zone", error.to_string())),
        };
        Self {
            name: text("name"),
            currency: text("currency"),
            zone: text("zone"),
            unit: text("unit"),
            image_base: text("image_base"),
            color: color(form),
            saved_color: ShopColor::parse(form.text("color_saved")).unwrap_or_default().to_string(),
            is_faint: ShopColor::parse(&color(form)).is_ok_and(ShopColor::is_faint),
            blank_orders_after: text("blank_orders_after"),
            time: zone.map(|zone| moment(&zone, now)),
            faults,
        }
    }
}

/// The color can be typed, or chosen in a field beside it: what was changed counts, and typing before choosing.
fn color(form: &Form) -> String {
    let (typed, chosen) = (form.text("color"), form.text("color_choice"));
    let is_typed = typed != form.text("color_saved") || chosen.is_empty();
    if is_typed { typed.to_owned() } else { chosen.to_owned() }
}

/// The value as the ledger writes it.
fn written(form: &Form, key: &str) -> String {
    let text = form.text(key);
    if key == "color" {
        let color = color(form);
        return ShopColor::parse(&color).map_or(color, |color| color.to_string());
    }
    if key == "blank_orders_after" && text.is_empty() { "never".to_owned() } else { text.to_owned() }
}

/// POST /settings/shop
pub(crate) async fn keep(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let typed = ShopFields::typed(&form, app.ledger.now());
    let (status, shop) = if form.has("show") {
        (StatusCode::OK, typed)
    } else {
        let wanted = KEYS.map(|key| (key.to_owned(), written(&form, key))).to_vec();
        let Some(faults) = change(&app, &form, wanted).await? else { return Ok(kept("shop")) };
        (StatusCode::UNPROCESSABLE_ENTITY, ShopFields { faults, ..typed })
    };
    let page = room::read(&app, &form.caller, String::new()).await?;
    Ok((status, HtmlPage(room::Page { shop, ..page })).into_response())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use axum::body::Body;
    use axum::http::Method;

    const FORM: &[(&str, &str)] = &[("content-type", "application/x-www-form-urlencoded")];

    #[tokio::test]
    async fn the_shop_is_kept_or_refused_beside_the_field() {
        let shop = TestShop::open().await;
        let send = async |body: &str| {
            shop.ask(Method::POST, "/settings/shop", FORM, Body::from(body.to_owned())).await
        };
        let rest = "currency=USD&unit=ONZ&image_base=";
        let done = send(&format!("name=Hill+farm&zone=America%2FNew_York&{rest}")).await;
        assert_eq!(
            (done.status, done.header("location")),
            (303, Some("/settings?kept=shop#shop")),
            "{}",
            done.text()
        );
        let now = shop.ledger().shop();
        assert_eq!((now.name.as_str(), now.zone.name()), ("Hill farm", "America/New_York"));
        let page = shop.get("/settings?kept=shop").await;
        assert!(
            page.text().contains("Saved.") && page.text().contains("May 17, 2026, 8:00 AM"),
            "{}",
            page.text()
        );
        // All or nothing: the name is not saved if the zone is wrong, and the form keeps what was typed.
        let refused = send(&format!("name=Dale+farm&zone=Mars%2FOlympus&{rest}")).await;
        assert_eq!(refused.status, 422);
        for part in
            ["value=\"Dale farm\"", "value=\"Mars/Olympus\"", "id=\"fault-zone\"", "is not a time zone"]
        {
            assert!(refused.text().contains(part), "{part} in {}", refused.text());
        }
        assert_eq!(shop.ledger().shop().name, "Hill farm");
        // The prices that exist are in dollars.
        let refused = send("name=Hill+farm&zone=UTC&currency=EUR&unit=ONZ&image_base=").await;
        assert!(refused.text().contains("can no longer change"), "{}", refused.text());
        // The time in a zone is shown before the zone is saved.
        let shown = send(&format!("name=Hill+farm&zone=Asia%2FKolkata&{rest}&show=time")).await;
        assert_eq!(shown.status, 200);
        assert!(shown.text().contains("It is May 17, 2026, 5:30 PM in Asia/Kolkata"), "{}", shown.text());
        assert_eq!(shop.ledger().shop().zone.name(), "America/New_York");
    }

    #[tokio::test]
    async fn the_color_is_typed_or_chosen_and_a_faint_one_is_remarked_on() {
        let shop = TestShop::open().await;
        let send = async |color: &str, choice: &str| {
            let rest = "name=Hill+farm&zone=UTC&currency=USD&unit=ONZ&image_base=&color_saved=%239c3323";
            let body = format!("{rest}&color={color}&color_choice={choice}");
            shop.ask(Method::POST, "/settings/shop", FORM, Body::from(body)).await
        };
        let check = async |color: &str, choice: &str, expected: &str, faint: bool| {
            assert_eq!(send(color, choice).await.status, 303, "{color} {choice}");
            assert_eq!(shop.ledger().shop().color.to_string(), expected, "{color} {choice}");
            let page = shop.get("/settings?kept=shop").await;
            assert_eq!(page.text().contains("faint on white paper"), faint, "{color} {choice}");
            assert!(page.text().contains(&format!("type=\"color\" value=\"{expected}\"")), "{}", page.text());
        };
        check("2F5F9E", "%239c3323", "#2f5f9e", false).await;
        check("%239c3323", "%23d9aa3a", "#d9aa3a", true).await;
        check("%23abc", "%23000000", "#aabbcc", true).await;
        check("", "", "#9c3323", false).await;
        let refused = send("dark+red", "%239c3323").await;
        assert_eq!(refused.status, 422);
        for part in ["id=\"fault-color\"", "value=\"dark red\"", "is not a color"] {
            assert!(refused.text().contains(part), "{part} in {}", refused.text());
        }
        assert_eq!(shop.ledger().shop().color.to_string(), "#9c3323");
    }
}
