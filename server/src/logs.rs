//! What the server reports about itself on standard error, as lines for people or as JSON for programs.
//!
//! Only what this project itself says is reported, whatever level was asked for. Libraries write whole messages
//! into their logs, and with them secrets, names and heart rates. They have no way in: the `log` crate gets no
//! receiver, and events from other crates are left out.

use std::io::{IsTerminal, stderr};

use tracing::{Metadata, Subscriber};
use tracing_subscriber::{
    EnvFilter, Layer, filter::filter_fn, fmt, layer::SubscriberExt, registry::LookupSpan,
};

/// How a log is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogFormat {
    /// A line for people, in colour on a terminal.
    Text,
    /// One JSON object per line.
    Json,
}

/// Starts the log. `RUST_LOG` says how much is logged (`thole_server=debug`); what `usual` says when that is not
/// set.
///
/// # Errors
/// A log has been started already.
pub fn begin(usual: &str, format: LogFormat) -> Result<(), String> {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(usual));
    let ours = lines(format).with_filter(filter_fn(is_ours));
    let subscriber = tracing_subscriber::registry().with(filter).with(ours);
    // Not `init`: that would bring the log crate's records here, too.
    tracing::subscriber::set_global_default(subscriber).map_err(|error| error.to_string())
}

/// Whether this project says it.
fn is_ours(told: &Metadata<'_>) -> bool {
    let said_by = told.target();
    said_by.starts_with("thole_server") || said_by.starts_with("thole_piece")
}

fn lines<S>(format: LogFormat) -> Box<dyn Layer<S> + Send + Sync>
where
    S: Subscriber + for<'a> LookupSpan<'a>,
{
    // https://no-color.org, as every terminal program should.
    let plain = std::env::var_os("NO_COLOR").is_some_and(|set| !set.is_empty());
    let lines = fmt::layer().with_ansi(stderr().is_terminal() && !plain).with_writer(stderr);
    match format {
        LogFormat::Text => lines.boxed(),
        LogFormat::Json => lines.json().flatten_event(true).boxed(),
    }
}
