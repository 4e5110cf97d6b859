//! A progress bar for long work, shown only on a terminal.

use indicatif::{ProgressBar, ProgressStyle};
use std::io::{self, IsTerminal};
use std::sync::Arc;
use std::time::Duration;
use sync::Watch;
use tokio::task::JoinHandle;

const DRAW_EVERY: Duration = Duration::from_millis(100);

/// Shows how far a run has come, until it is dropped.
pub(crate) struct Bar {
    drawing: Option<(ProgressBar, JoinHandle<()>)>,
}

impl Bar {
    /// For a run that reads a file's bytes or writes an unknown number of rows.
    pub(crate) fn over(watch: &Arc<Watch>, what: &'static str) -> Self {
        if !io::stderr().is_terminal() {
            return Self { drawing: None };
        }
        let bar = plain(what);
        let (watch, drawn) = (Arc::clone(watch), bar.clone());
        let task = tokio::spawn(async move {
            let mut ticks = tokio::time::interval(DRAW_EVERY);
            loop {
                ticks.tick().await;
                let (done, total) = watch.state();
                if total > 0 && drawn.length() != Some(total) {
                    drawn.set_length(total);
                    drawn.set_style(style("{msg} {wide_bar} {percent:>3} %"));
                }
                drawn.set_position(done);
            }
        });
        Self { drawing: Some((bar, task)) }
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Some((bar, task)) = self.drawing.take() {
            task.abort();
            bar.finish_and_clear();
        }
    }
}

/// One line with the current step and how many are done.
pub(crate) struct Steps(Option<ProgressBar>);

impl Steps {
    /// For work that names its own steps.
    pub(crate) fn new(what: &'static str) -> Self {
        Self(io::stderr().is_terminal().then(|| plain(what)))
    }

    pub(crate) fn at(&self, what: &str, done: u64) {
        if let Some(bar) = &self.0 {
            bar.set_message(what.to_owned());
            bar.set_position(done);
        }
    }
}

impl Drop for Steps {
    fn drop(&mut self) {
        if let Some(bar) = &self.0 {
            bar.finish_and_clear();
        }
    }
}

fn plain(what: &'static str) -> ProgressBar {
    let bar = ProgressBar::no_length().with_message(what);
    bar.set_style(style("{msg} {pos}"));
    bar
}

fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}
