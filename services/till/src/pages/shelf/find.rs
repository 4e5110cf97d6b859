//! GET /shelf: all stock as tags, and searching it. A scanned code leads to its item.

use super::tag::{self, Tag};
use super::{Way, read, ways};
use crate::app::App;
use crate::pages::form::Faults;
use crate::pages::frame::{Frame, HtmlPage, Room, see_other};
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use domain::codes::Code;
use domain::people::Permission;
use ledger::online::Offers;
use ledger::shelf::{FindCursor, FindItems, FindSort, FindState, FindStyle, ItemView, StyleView};
use serde::Deserialize;

/// Tags on one page: twelve rows of five columns on a wide screen.
const TAGS: usize = 60;
const DAY_MS: i64 = 24 * 60 * 60 * 1000;

/// The fields of the search form.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct FindQuery {
    find: String,
    style: String,
    size: String,
    color: String,
    weight_from: String,
    weight_to: String,
    price_from: String,
    price_to: String,
    newer: String,
    older: String,
    state: String,
    sort: String,
    cursor: String,
    /// Whether pieces can be ticked, to print their tags.
    pick: String,
}

/// A choice that the form always sends counts as none while it is at its first option.
fn unless_first<'a>(chosen: &'a str, first: &str) -> &'a str {
    if chosen == first { "" } else { chosen }
}

impl FindQuery {
    fn fields(&self) -> [(&'static str, &str); 12] {
        [
            ("find", &self.find),
            ("style", &self.style),
            ("size", &self.size),
            ("color", &self.color),
            ("weight_from", &self.weight_from),
            ("weight_to", &self.weight_to),
            ("price_from", &self.price_from),
            ("price_to", &self.price_to),
            ("newer", &self.newer),
            ("older", &self.older),
            ("state", unless_first(&self.state, FindState::ALL[0].code())),
            ("sort", unless_first(&self.sort, FindSort::ALL[0].code())),
        ]
    }

    /// The address of the page that begins after the cursor.
    fn address(&self, cursor: FindCursor) -> String {
        let given = self.fields().into_iter().filter(|(_, value)| !value.is_empty());
        let query = form_urlencoded::Serializer::new(String::new())
            .extend_pairs(given)
            .append_pair("cursor", &cursor.to_string())
            .append_pair("pick", &self.pick)
            .finish();
        format!("/shelf?{query}")
    }

    fn picks(&self) -> bool {
        self.pick == "yes"
    }

    /// The same search, where its pieces can be ticked.
    fn picking(&self) -> String {
        let given = self.fields().into_iter().filter(|(_, value)| !value.is_empty());
        let query = form_urlencoded::Serializer::new(String::new())
            .extend_pairs(given)
            .append_pair("pick", "yes")
            .finish();
        format!("/shelf?{query}")
    }

    /// The filters in words, readable while their fields are folded away.
    fn narrowed(&self, styles: &[Choice], states: &[Choice]) -> String {
        let chosen = |all: &[Choice], value: &str| {
            let found = all.iter().find(|c| c.is_chosen && !value.is_empty());
            found.map(|c| c.words.clone()).unwrap_or_default()
        };
        let with = |before: &str, value: &str, after: &str| {
            if value.is_empty() { String::new() } else { format!("{before}{value}{after}") }
        };
        let words = [
            chosen(states, &self.state),
            chosen(styles, &self.style),
            with("size ", &self.size, ""),
            self.color.clone(),
            with("minimum weight ", &self.weight_from, ""),
            with("maximum weight ", &self.weight_to, ""),
            with("minimum price ", &self.price_from, ""),
            with("maximum price ", &self.price_to, ""),
            with("in stock for at most ", &self.newer, " days"),
            with("in stock for at least ", &self.older, " days"),
        ];
        words.into_iter().filter(|w| !w.is_empty()).collect::<Vec<_>>().join(" · ")
    }

    /// Whether any filter is set besides the words.
    fn is_narrowed(&self) -> bool {
        self.fields().iter().any(|(name, value)| *name != "find" && !value.is_empty())
    }

    fn is_any(&self) -> bool {
        let narrows = |(name, value): &(&str, &str)| *name != "sort" && !value.is_empty();
        self.fields().iter().any(narrows)
    }

    fn read(&self, app: &App) -> Result<(FindItems, Option<FindCursor>), Faults> {
        let shop = app.ledger.shop();
        let ago = |days: i64| app.ledger.now().plus_millis(-days * DAY_MS);
        let style = match self.style.as_str() {
            "" => FindStyle::Any,
            "none" => FindStyle::None,
            id => {
                FindStyle::One(id.parse().map_err(|_| Faults::one("style", "choose a style from the list"))?)
            }
        };
        let state = choice(&self.state, FindState::from_code, "state")?;
        let sort = choice(&self.sort, FindSort::from_code, "sort")?;
        let cursor = match self.cursor.as_str() {
            "" => None,
            text => Some(
                text.parse()
                    .map_err(|_| Faults::one("find", "this page link is out of date; search again"))?,
            ),
        };
        let find = FindItems {
            words: self.find.trim().to_owned(),
            style,
            size: self.size.trim().to_owned(),
            color: self.color.trim().to_owned(),
            weight_from: read::weight("weight_from", &self.weight_from, shop.unit)?,
            weight_to: read::weight("weight_to", &self.weight_to, shop.unit)?,
            price_from: read::money("price_from", &self.price_from, shop.currency)?,
            price_to: read::money("price_to", &self.price_to, shop.currency)?,
            made_from: read::days("newer", &self.newer)?.map(ago),
            made_before: read::days("older", &self.older)?.map(ago),
            state,
            sort,
        };
        Ok((find, cursor))
    }
}

fn choice<T: Default>(text: &str, read: fn(&str) -> Option<T>, field: &str) -> Result<T, Faults> {
    if text.is_empty() {
        return Ok(T::default());
    }
    read(text).ok_or_else(|| Faults::one(field, "choose an option from the list"))
}

pub(crate) struct Choice {
    pub(crate) value: String,
    pub(crate) words: String,
    pub(crate) is_chosen: bool,
}

fn choices<T: Copy>(
    all: &[T],
    code: fn(T) -> &'static str,
    words: fn(T) -> &'static str,
    chosen: &str,
) -> Vec<Choice> {
    let choice = |(at, one): (usize, &T)| Choice {
        value: code(*one).to_owned(),
        words: words(*one).to_owned(),
        is_chosen: code(*one) == chosen || (at == 0 && chosen.is_empty()),
    };
    all.iter().enumerate().map(choice).collect()
}

fn state_words(state: FindState) -> &'static str {
    match state {
        FindState::OnShelf => "On the shelf",
        FindState::Held => "On hold",
        FindState::SoldOut => "Sold out or gone",
        FindState::KeptOff => "Don’t list online",
        FindState::Unlisted => "Not listed online",
        FindState::TagMissing => "Tag not printed yet",
        FindState::TagOutdated => "Tag with an old price or weight",
        FindState::All => "All items, past and present",
    }
}

fn sort_words(sort: FindSort) -> &'static str {
    match sort {
        FindSort::Newest => "Newest first",
        FindSort::Oldest => "Oldest first",
        FindSort::Cheapest => "Lowest price first",
        FindSort::Dearest => "Highest price first",
        FindSort::Lightest => "Lightest first",
        FindSort::Heaviest => "Heaviest first",
    }
}

#[derive(Template)]
#[template(path = "shelf/room.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    query: FindQuery,
    faults: Faults,
    styles: Vec<Choice>,
    states: Vec<Choice>,
    sorts: Vec<Choice>,
    unit: &'static str,
    narrowed: String,
    tags: Vec<Tag>,
    next: Option<String>,
    may_make: bool,
}

/// The tags and the next page's address, or what was wrong with the query.
type Found = Result<(Vec<Tag>, Option<String>), Faults>;

async fn found(app: &App, query: &FindQuery) -> Result<Found, Problem> {
    let (find, cursor) = match query.read(app) {
        Ok(read) => read,
        Err(faults) => return Ok(Err(faults)),
    };
    match app.ledger.find_items(&find, cursor, TAGS).await {
        Ok(page) => {
            let next = page.next.map(|cursor| query.address(cursor));
            let ids: Vec<_> = page.items.iter().map(|item| item.id).collect();
            let offers = app.ledger.offers(&ids).await?;
            let is_listed = |item: &ItemView| offers.get(&item.id).is_some_and(Offers::is_listed);
            Ok(Ok((page.items.iter().map(|item| tag::tag(item, is_listed(item))).collect(), next)))
        }
        Err(failure) => Ok(Err(Faults::of(failure.into())?)),
    }
}

/// The page of the item whose code was scanned or typed, if there is one.
async fn of_code(app: &App, query: &FindQuery) -> Option<String> {
    if query.is_narrowed() || query.find.trim().is_empty() {
        return None;
    }
    let code = Code::parse(&query.find).ok()?;
    let item = app.ledger.item(&code).await.ok()?;
    Some(tag::path(&item.in_store))
}

fn style_choices(styles: &[StyleView], chosen: &str) -> Vec<Choice> {
    let first = [("", "Any style"), ("none", "No style")].map(|(v, w)| (v.to_owned(), w.to_owned()));
    let rest = styles.iter().map(|style| (style.id.to_string(), style.name.clone()));
    let choice = |(value, words): (String, String)| Choice { is_chosen: value == chosen, value, words };
    first.into_iter().chain(rest).map(choice).collect()
}

/// GET /shelf
pub(crate) async fn room(
    State(app): State<App>,
    caller: Caller,
    QueryParam(query): QueryParam<FindQuery>,
) -> Result<Response, Problem> {
    if let Some(path) = of_code(&app, &query).await {
        return Ok(see_other(&path));
    }
    let found = found(&app, &query).await?;
    let status = if found.is_ok() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let ((tags, next), faults) = match found {
        Ok(found) => (found, Faults::default()),
        Err(faults) => ((Vec::new(), None), faults),
    };
    let styles = style_choices(&app.ledger.styles().await?, &query.style);
    let states = choices(&FindState::ALL, FindState::code, state_words, &query.state);
    let page = Page {
        frame: Frame::new(&app, &caller, Room::Shelf),
        ways: ways(&caller, "/shelf"),
        narrowed: query.narrowed(&styles, &states),
        styles,
        states,
        sorts: choices(&FindSort::ALL, FindSort::code, sort_words, &query.sort),
        unit: app.ledger.shop().unit.symbol(),
        query,
        faults,
        tags,
        next,
        may_make: caller.may(Permission::Make),
    };
    Ok((status, HtmlPage(page)).into_response())
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    /// The names on the tags, in order.
    fn names(page: &str) -> Vec<&str> {
        let parts = page.split("<span class=\"name\">").skip(1);
        parts.filter_map(|part| part.split('<').next()).collect()
    }

    #[tokio::test]
    async fn tags_are_found_by_what_is_asked() {
        let shop = TestShop::open().await;
        let check = |query: &'static str, expected: &'static [&'static str]| {
            let shop = &shop;
            async move {
                let reply = shop.get(&format!("/shelf?{query}")).await;
                assert_eq!(reply.status, 200, "{query}: {}", reply.text());
                assert_eq!(names(reply.text()), expected, "{query}");
            }
        };
        check("", &["Grey roving", "Drop spindle", "Moor cowl, small", "Moor cowl"]).await;
        check("find=&style=&sort=oldest", &["Moor cowl", "Moor cowl, small", "Drop spindle", "Grey roving"])
            .await;
        check("find=moor+small", &["Moor cowl, small"]).await;
        check("color=grey", &["Grey roving"]).await;
        check("style=none&sort=dearest", &["Drop spindle", "Grey roving"]).await;
        check("weight_from=6", &["Moor cowl"]).await;
        check("weight_to=160+g", &["Moor cowl, small"]).await;
        check("price_from=42&price_to=42.00", &["Moor cowl, small"]).await;
        check("newer=1", &["Grey roving", "Drop spindle", "Moor cowl, small", "Moor cowl"]).await;
        check("older=1", &[]).await;
        check("state=sold-out", &[]).await;
        shop.sell("COWL", "k").await;
        check("state=sold-out", &["Moor cowl"]).await;
        shop.next_day();
        shop.next_day();
        check("older=1&find=moor", &["Moor cowl, small"]).await;
    }

    #[tokio::test]
    async fn a_scanned_code_leads_to_its_item() {
        let shop = TestShop::open().await;
        let reply = shop.get("/shelf?find=COWL").await;
        let item = shop.get("/api/items/COWL").await.json();
        let path = format!("/shelf/items/{}", item["inStoreCode"].as_str().expect("a code"));
        assert_eq!((reply.status, reply.header("location")), (303, Some(path.as_str())));
        // As a browser sends the form: with all of its fields.
        let sent = shop.get("/shelf?find=COWL&state=on-shelf&style=&size=&sort=newest").await;
        assert_eq!((sent.status, sent.header("location")), (303, Some(path.as_str())));
        let empty = shop.get("/shelf?find=NOTHING").await;
        assert_eq!(empty.status, 200);
        assert!(empty.text().contains("No items match"), "{}", empty.text());
    }

    #[tokio::test]
    async fn what_was_typed_wrong_is_said_beside_its_field() {
        let shop = TestShop::open().await;
        let check = |query: &'static str, field: &'static str| {
            let shop = &shop;
            async move {
                let reply = shop.get(&format!("/shelf?{query}")).await;
                assert_eq!(reply.status, 422, "{query}");
                let fault = format!("id=\"fault-{field}\"");
                assert!(reply.text().contains(&fault), "{query}: {}", reply.text());
            }
        };
        check("weight_from=heavy", "weight_from").await;
        check("price_to=dear", "price_to").await;
        check("newer=soon", "newer").await;
        check("style=cowl", "style").await;
        check("state=lost", "state").await;
        check("cursor=5", "find").await;
        let reply = shop.get("/shelf?weight_from=heavy&find=%3Cb%3E").await;
        assert!(
            reply.text().contains("value=\"heavy\"") && !reply.text().contains("<b>\""),
            "kept and escaped"
        );
        assert_eq!(shop.get("/shelf?colour=grey").await.status, 422);
    }
}
