//! What the server tells about itself on standard error, as lines for people or as JSON for programs.
//!
//! Only what this project itself says is told, at whatever level was asked for. Libraries write whole messages into
//! theirs, and with them secrets, names and heart rates. They have no way in: the `log` crate gets no receiver,
//! and events of other crates are left out.

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
    /// One JSON object a line.
    Json,
}

/// Begins to tell. How much is said in `RUST_LOG` (`thole_server=debug`); what is said here when that is not set.
///
/// # Errors
/// Somebody has begun already.
pub fn begin(usual: &str, format: LogFormat) -> Result<(), String> {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(usual));
    let ours = lines(format).with_filter(filter_fn(is_ours));
    let subscriber = tracing_subscriber::registry().with(filter).with(ours);
    // Not `init`: that would make the log crate's records come here, too.
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
    // https://no-color.org, as every program of a terminal has it.
    let plain = std::env::var_os("NO_COLOR").is_some_and(|set| !set.is_empty());
    let lines = fmt::layer().with_ansi(stderr().is_terminal() && !plain).with_writer(stderr);
    match format {
        LogFormat::Text => lines.boxed(),
        LogFormat::Json => lines.json().flatten_event(true).boxed(),
    }
}
