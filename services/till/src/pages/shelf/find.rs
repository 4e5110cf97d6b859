//! GET /shelf: all stock as tags, and searching it. A scanned code leads to its item.

use super::tag::{self, Tag};
use super::{Way, read, ways};
use crate::app::App;
use crate::pages::form::{Faults, Form};
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
/// Says that pieces can be ticked.
const PICKS: &str = "yes";
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
    /// `yes` if pieces can be ticked, to print their tags.
    pick: String,
    /// The in-store codes of those that are ticked, separated by commas.
    pieces: String,
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

    /// The address of this search.
    pub(super) fn address(&self) -> String {
        let more = [("cursor", &self.cursor), ("pick", &self.pick), ("pieces", &self.pieces)];
        let more = more.into_iter().map(|(name, value)| (name, value.as_str()));
        let given = self.fields().into_iter().chain(more).filter(|(_, value)| !value.is_empty());
        let query = form_urlencoded::Serializer::new(String::new()).extend_pairs(given).finish();
        format!("/shelf?{query}")
    }

    fn picks(&self) -> bool {
        self.pick == PICKS
    }

    /// The same search, where its pieces can be ticked.
    fn picking(&self) -> String {
        Self { pick: PICKS.to_owned(), cursor: String::new(), ..self.clone() }.address()
    }

    /// All stock; what is ticked stays so.
    pub(super) fn cleared(&self) -> String {
        Self { pick: self.pick.clone(), pieces: self.pieces.clone(), ..Self::default() }.address()
    }

    /// From the form in which pieces are ticked.
    pub(super) fn of_form(form: &Form, pieces: &[String]) -> Self {
        let text = |name| form.text(name).to_owned();
        Self {
            find: text("find"),
            style: text("style"),
            size: text("size"),
            color: text("color"),
            weight_from: text("weight_from"),
            weight_to: text("weight_to"),
            price_from: text("price_from"),
            price_to: text("price_to"),
            newer: text("newer"),
            older: text("older"),
            state: text("state"),
            sort: text("sort"),
            cursor: text("cursor"),
            pick: PICKS.to_owned(),
            pieces: pieces.join(","),
        }
    }

    /// The same without its words, with one more piece ticked.
    pub(super) fn ticking(&self, in_store: &str) -> Self {
        let known = self.pieces.split(',').filter(|code| !code.is_empty() && *code != in_store);
        let pieces: Vec<&str> = known.chain([in_store]).collect();
        Self { find: String::new(), cursor: String::new(), pieces: pieces.join(","), ..self.clone() }
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
        FindState::TagOutdated => "Outdated tag",
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
    /// Pieces that are ticked, whether the search finds them or not.
    picked: Vec<Tag>,
    /// Why the tags of what is ticked cannot be printed.
    pick_fault: Option<String>,
    next: Option<FindCursor>,
    may_make: bool,
}

impl Page {
    /// The address of the next tags.
    fn more(&self, cursor: &FindCursor) -> String {
        FindQuery { cursor: cursor.to_string(), ..self.query.clone() }.address()
    }
}

/// The tags and where the next page begins, or what was wrong with the query.
type Found = Result<(Vec<Tag>, Option<FindCursor>), Faults>;

async fn tags(app: &App, items: &[ItemView]) -> Result<Vec<Tag>, Problem> {
    let ids: Vec<_> = items.iter().map(|item| item.id).collect();
    let offers = app.ledger.offers(&ids).await?;
    let is_listed = |item: &ItemView| offers.get(&item.id).is_some_and(Offers::is_listed);
    Ok(items.iter().map(|item| tag::tag(item, is_listed(item))).collect())
}

/// What is ticked and still in stock.
async fn picked(app: &App, query: &FindQuery) -> Result<Vec<Tag>, Problem> {
    let codes: Vec<Code> = query.pieces.split(',').filter_map(|code| Code::parse(code).ok()).collect();
    if !query.picks() || codes.is_empty() {
        return Ok(Vec::new());
    }
    let picked = tags(app, &app.ledger.known_items(&codes).await?).await?;
    Ok(picked.into_iter().filter(|tag| tag.is_there).collect())
}

async fn found(app: &App, query: &FindQuery) -> Result<Found, Problem> {
    let (find, cursor) = match query.read(app) {
        Ok(read) => read,
        Err(faults) => return Ok(Err(faults)),
    };
    match app.ledger.find_items(&find, cursor, TAGS).await {
        Ok(page) => Ok(Ok((tags(app, &page.items).await?, page.next))),
        Err(failure) => Ok(Err(Faults::of(failure.into())?)),
    }
}

/// The item whose code was scanned or typed, if there is one.
pub(super) async fn of_code(app: &App, query: &FindQuery) -> Option<ItemView> {
    if query.is_narrowed() || query.find.trim().is_empty() {
        return None;
    }
    let code = Code::parse(&query.find).ok()?;
    app.ledger.item(&code).await.ok()
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
    let item = if query.picks() { None } else { of_code(&app, &query).await };
    match item {
        Some(item) => Ok(see_other(&tag::path(&item.in_store))),
        None => show(&app, &caller, query, None).await,
    }
}

/// What a search finds, and what is wrong with the search or with what is ticked.
pub(super) async fn show(
    app: &App,
    caller: &Caller,
    query: FindQuery,
    pick_fault: Option<String>,
) -> Result<Response, Problem> {
    let ((tags, next), faults) = match found(app, &query).await? {
        Ok(found) => (found, Faults::default()),
        Err(faults) => ((Vec::new(), None), faults),
    };
    let is_right = faults.is_empty() && pick_fault.is_none();
    let status = if is_right { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let picked = picked(app, &query).await?;
    let styles = style_choices(&app.ledger.styles().await?, &query.style);
    let states = choices(&FindState::ALL, FindState::code, state_words, &query.state);
    let page = Page {
        frame: Frame::new(app, caller, Room::Shelf),
        ways: ways(caller, "/shelf"),
        narrowed: query.narrowed(&styles, &states),
        styles,
        states,
        sorts: choices(&FindSort::ALL, FindSort::code, sort_words, &query.sort),
        unit: app.ledger.shop().unit.symbol(),
        query,
        faults,
        tags: tags.into_iter().filter(|tag| !picked.iter().any(|other| other.code == tag.code)).collect(),
        picked,
        pick_fault,
        next,
        may_make: caller.may(Permission::Make),
    };
    Ok((status, HtmlPage(page).with_camera()).into_response())
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
