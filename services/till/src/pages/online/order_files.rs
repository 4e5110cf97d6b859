//! Files of orders: GET /online/order-files asks for one, POST says what would happen, POST …/take takes it in, GET
//! …/rejects returns the rejected orders.

use super::adapter;
use super::layout::{ROWS, Rows, rows_of};
use super::order_upload::OrderUpload;
use crate::app::App;
use crate::app::order_files::{MAX_ORDER_FILE_BYTES, OrderFile};
use crate::feed_adapter::{FeedTrouble, GivenFile, OrderFileRun, OrdersTaken};
use crate::pages::form::{Faults, Form};
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::counted;
use crate::problem::{Kind, Problem};
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use askama::Template;
use async_trait::async_trait;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use ledger::{Command, CommandError, Tx};
use serde::Deserialize;
use std::fs::File;
use std::io::Read;

/// How much of a file is read for its first rows.
const HEAD_BYTES: u64 = 256 << 10;

/// How a file is read and what is done with it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Choice {
    pub(crate) layout: String,
    pub(crate) past: bool,
}

/// What would become of a file, or what became of it.
struct Outcome {
    file: String,
    token: String,
    /// The whole in a sentence.
    sentence: String,
    /// What follows from it, such as out-of-stock lines.
    notes: Vec<String>,
    rejected: u64,
    refused: Vec<String>,
    /// Whether it can be taken in.
    takes: Option<String>,
    is_done: bool,
    has_rejects: bool,
    rows: Rows,
}

#[derive(Template)]
#[template(path = "online/order_files.html")]
pub(crate) struct Page {
    frame: Frame,
    lane: &'static str,
    layouts: Vec<String>,
    choice: Choice,
    megabytes: u64,
    outcome: Option<Outcome>,
    faults: Faults,
}

impl Page {
    async fn new(app: &App, caller: &Caller, choice: Choice) -> Result<Self, Problem> {
        let adapter = adapter(app)?;
        let kept = app.ledger.layouts().await?.into_iter();
        let layouts = kept.filter(|layout| adapter.read_layout(&layout.text).as_deref() == Ok("orders"));
        Ok(Self {
            frame: Frame::new(app, caller, Room::Online),
            lane: "orders",
            layouts: layouts.map(|layout| layout.name).collect(),
            choice,
            megabytes: MAX_ORDER_FILE_BYTES >> 20,
            outcome: None,
            faults: Faults::default(),
        })
    }

    /// The page with what came of it, or with what is wrong.
    fn answer(self, outcome: Result<Outcome, Problem>) -> Result<Response, Problem> {
        match outcome {
            Ok(outcome) => Ok(HtmlPage(Self { outcome: Some(outcome), ..self }).into_response()),
            Err(problem) => {
                let faults = Faults::of(problem)?;
                Ok((StatusCode::UNPROCESSABLE_ENTITY, HtmlPage(Self { faults, ..self })).into_response())
            }
        }
    }
}

/// GET /online/order-files
pub(crate) async fn show(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(Page::new(&app, &caller, Choice::default()).await?))
}

/// POST /online/order-files: nothing is booked.
pub(crate) async fn check(State(app): State<App>, upload: OrderUpload) -> Result<Response, Problem> {
    let choice = Choice { layout: upload.text("layout").to_owned(), past: !upload.text("past").is_empty() };
    let page = Page::new(&app, &upload.caller, choice.clone()).await?;
    let outcome = checked(&app, upload, &choice).await;
    page.answer(outcome)
}

async fn checked(app: &App, mut upload: OrderUpload, choice: &Choice) -> Result<Outcome, Problem> {
    let caller = upload.caller.clone();
    let (token, is_new) = match upload.file.take() {
        Some(file) => (app.order_files.keep(file), true),
        None => (upload.text("kept").to_owned(), false),
    };
    let no_file = if is_new || token.is_empty() { "choose a file of orders" } else { GONE };
    let file = app.order_files.find(&token, &caller.who);
    let file = file.ok_or_else(|| Problem::invalid("#/file", no_file))?;
    let report = run(app, &file, choice, true, &caller).await?;
    let rows = first_rows(app, &file, choice).await?;
    Ok(Outcome { rows, ..outcome(&file.name, token, &report, choice) })
}

const GONE: &str = "this file is no longer kept here; choose it again";

async fn run(
    app: &App,
    file: &OrderFile,
    choice: &Choice,
    dry_run: bool,
    caller: &Caller,
) -> Result<OrdersTaken, Problem> {
    let layout = super::put_out::layout_named(app, &choice.layout).await?;
    let run = OrderFileRun {
        path: file.path(),
        name: file.name.clone(),
        layout,
        past: choice.past,
        dry_run,
        rejects: file.folder().to_owned(),
        by: caller.actor(),
    };
    let taken = adapter(app)?.take_order_file(run).await;
    taken.map_err(|trouble| match trouble {
        FeedTrouble::Unreadable(words) => Problem::invalid("#/file", words),
        other => other.into(),
    })
}

/// The first rows, as the layout reads them. The file itself was read before, so nothing is wrong with it.
async fn first_rows(app: &App, file: &OrderFile, choice: &Choice) -> Result<Rows, Problem> {
    let layout = super::put_out::layout_named(app, &choice.layout).await?;
    let path = file.path();
    let read = move || {
        let mut bytes = Vec::new();
        File::open(&path)?.take(HEAD_BYTES).read_to_end(&mut bytes)?;
        Ok::<_, std::io::Error>((bytes, std::fs::metadata(&path)?.len() > HEAD_BYTES))
    };
    let broken = |error: &dyn std::error::Error| {
        Problem::new(Kind::StorageError, "the file could not be read").because(error)
    };
    let read = tokio::task::spawn_blocking(read).await.map_err(|error| broken(&error))?;
    let (bytes, cut) = read.map_err(|error| broken(&error))?;
    let given = GivenFile { name: file.name.clone(), bytes, cut, layout };
    rows_of(adapter(app)?.preview(given, ROWS).await, file.name.clone())
}

fn outcome(name: &str, token: String, report: &OrdersTaken, choice: &Choice) -> Outcome {
    let OrdersTaken { new, changed, known, rejected, .. } = report;
    let all = new + changed + known + rejected;
    let verb = if report.is_dry { "would be " } else { "" };
    let sentence = format!(
        "{}: {new} {verb}new, {changed} {verb}changed, {known} already here, {rejected} rejected.",
        counted(i64::try_from(all).unwrap_or(i64::MAX), "order", "orders")
    );
    let to_take = new + changed;
    let takes = (report.is_dry && to_take > 0).then(|| {
        let orders = counted(i64::try_from(to_take).unwrap_or(i64::MAX), "order", "orders");
        if choice.past { format!("Add {orders} to the books") } else { format!("Take in {orders}") }
    });
    Outcome {
        file: name.to_owned(),
        token,
        sentence,
        notes: notes(report),
        rejected: *rejected,
        refused: report.refused.clone(),
        takes,
        is_done: !report.is_dry,
        has_rejects: !report.is_dry && report.has_rejects_file,
        rows: Rows::default(),
    }
}

fn notes(report: &OrdersTaken) -> Vec<String> {
    let line = |count: u64, one: &str, many: &str| {
        (count > 0).then(|| counted(i64::try_from(count).unwrap_or(i64::MAX), one, many))
    };
    let parts = [
        line(report.filled, "line sold", "lines sold"),
        line(
            report.held,
            "line on hold until its order is paid",
            "lines on hold until their orders are paid",
        ),
        line(
            report.short,
            "line is out of stock and needs a decision",
            "lines are out of stock and need a decision",
        ),
        line(report.refunds, "refund", "refunds"),
        line(report.unknown_status, "order has an unknown status", "orders have an unknown status"),
    ];
    parts.into_iter().flatten().collect()
}

/// Stores the report under the form's key. The orders were taken in before, in their own transactions, and each is
/// recognized by its number.
struct KeepReport(OrdersTaken);

#[async_trait]
impl Command for KeepReport {
    type Answer = OrdersTaken;

    async fn run(&self, _: &mut Tx) -> Result<OrdersTaken, CommandError> {
        Ok(self.0.clone())
    }
}

/// POST /online/order-files/take: a second press with the same key changes nothing and shows the same.
pub(crate) async fn take(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let choice = Choice { layout: form.text("layout").to_owned(), past: form.has("past") };
    let page = Page::new(&app, &form.caller, choice.clone()).await?;
    let outcome = taken(&app, &form, &choice).await;
    page.answer(outcome)
}

async fn taken(app: &App, form: &Form, choice: &Choice) -> Result<Outcome, Problem> {
    let token = form.text("kept").to_owned();
    let file = app.order_files.find(&token, &form.caller.who);
    let before = app.ledger.answered::<OrdersTaken>(&form.key).await?;
    let report = if let Some(report) = before {
        report
    } else {
        let file = file.as_ref().ok_or_else(|| Problem::invalid("#/file", GONE))?;
        let report = run(app, file, choice, false, &form.caller).await?;
        app.run(&form.key, &KeepReport(report)).await?.answer
    };
    let name = file.as_ref().map_or(form.text("name"), |file| file.name.as_str());
    let mut outcome = outcome(name, token, &report, choice);
    outcome.has_rejects &= file.is_some();
    Ok(outcome)
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RejectsQuery {
    kept: String,
}

/// GET /online/order-files/rejects: to be corrected and taken in again.
pub(crate) async fn rejects(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<RejectsQuery>,
) -> Result<Response, Problem> {
    let gone = || Problem::new(Kind::NotFound, GONE);
    let file = app.order_files.find(&asked.kept, &caller.who).ok_or_else(gone)?;
    let found = std::fs::read_dir(file.folder()).map_err(|error| gone().because(&error))?;
    let path = found
        .flatten()
        .map(|entry| entry.path())
        .find(|path| path.file_name().is_some_and(|name| name.to_string_lossy().contains(".rejects")));
    let path = path.ok_or_else(gone)?;
    let bytes = tokio::task::spawn_blocking({
        let path = path.clone();
        move || std::fs::read(path)
    });
    let bytes =
        bytes.await.map_err(|error| gone().because(&error))?.map_err(|error| gone().because(&error))?;
    let name: String = path
        .file_name()
        .map(|name| name.to_string_lossy().chars().filter(|c| c.is_ascii_graphic() && *c != '"').collect())
        .unwrap_or_default();
    let headers = [
        (header::CONTENT_TYPE, "application/octet-stream".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    Ok((headers, bytes).into_response())
}

#[cfg(test)]
mod tests;
