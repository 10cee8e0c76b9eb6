//! What an operator measures: counts and times of the whole server as OpenMetrics text. Never about one person or
//! session; the few labels are words and codes of this program.

use std::{fmt, path::Path, time::Duration};

use prometheus_client::{
    encoding::text,
    metrics::{counter::Counter, family::Family, gauge::Gauge, histogram::Histogram, info::Info},
    registry::{Registry, Unit},
};
use thole_protocol::{client_msg::Role, close::Close, refusal::Why};

use crate::disk::Disk;

/// One label and its value.
type Label = [(&'static str, &'static str); 1];

/// From a fast disk to one that people notice: a stroke should be durable within 120 ms.
const COMMIT_SECONDS: [f64; 12] =
    [0.001, 0.002, 0.005, 0.01, 0.02, 0.04, 0.08, 0.12, 0.25, 0.5, 1.0, 5.0];

/// Everything that is counted while the server runs. Counting is one atomic addition; texts are made when
/// somebody asks.
#[derive(Clone, Debug)]
pub struct Metrics {
    connections: Family<Label, Gauge>,
    refused: Family<[(&'static str, String); 1], Counter>,
    closed: Family<[(&'static str, u16); 1], Counter>,
    /// Appends that were handed to the journal and are not durable yet.
    pub appends_waiting: Gauge,
    commit: Histogram,
    /// Bytes of messages from clients.
    pub received: Counter,
    /// Bytes of messages to clients, whichever way they go out.
    pub sent: Counter,
    /// Results of pieces that are over.
    pub results: Counter,
}

impl Default for Metrics {
    fn default() -> Metrics {
        Metrics {
            connections: Family::default(),
            refused: Family::default(),
            closed: Family::default(),
            appends_waiting: Gauge::default(),
            commit: Histogram::new(COMMIT_SECONDS),
            received: Counter::default(),
            sent: Counter::default(),
            results: Counter::default(),
        }
    }
}

/// What is looked up at the moment of asking.
#[derive(Clone, Debug)]
pub struct Now<'a> {
    /// Open sessions.
    pub sessions: usize,
    /// Connections of any kind, including pages and those who have not said who they are.
    pub connections: usize,
    /// Most connections that the settings allow.
    pub connections_max: usize,
    /// Fields that clients have sent and that this server does not know.
    pub unknown_fields: u64,
    /// Whether new work is accepted.
    pub ready: bool,
    /// The folder whose disk is measured.
    pub data: &'a Path,
}

impl Metrics {
    /// A connection was let in; counted until the returned value is dropped.
    #[must_use]
    pub fn welcomed(&self, role: Role) -> Counted {
        let gauge = self.connections.get_or_create_owned(&[("role", role_name(role))]);
        Counted::one(gauge)
    }

    /// Something was refused.
    pub fn refused(&self, why: Why) {
        self.refused.get_or_create(&[("why", why_name(why))]).inc();
    }

    /// This side has closed a connection.
    pub fn closed(&self, close: Close) {
        self.closed.get_or_create(&[("code", close.code())]).inc();
    }

    /// An append became durable after this long.
    pub fn committed(&self, after: Duration) {
        self.commit.observe(after.as_secs_f64());
    }

    /// Everything, as OpenMetrics 1.0 text.
    ///
    /// # Errors
    /// Never in practice: a text in memory takes whatever is written to it.
    pub fn text(&self, now: &Now<'_>) -> Result<String, fmt::Error> {
        let mut registry = Registry::with_prefix("thole");
        self.register(&mut registry);
        register_now(&mut registry, now);
        let mut said = String::new();
        text::encode(&mut said, &registry)?;
        Ok(said)
    }

    fn register(&self, registry: &mut Registry) {
        let all = self.clone();
        let help = "Connections that were welcomed, by role";
        registry.register("connections_welcomed", help, all.connections);
        registry.register("refused", "Messages that were refused, by why", all.refused);
        let help = "Connections that the server has closed, by close code";
        registry.register("closed", help, all.closed);
        let help = "Appends that are not durable yet";
        registry.register("appends_waiting", help, all.appends_waiting);
        let help = "Time until an append was durable";
        registry.register_with_unit("commit", help, Unit::Seconds, all.commit);
        let help = "Bytes of messages from clients, without frames";
        registry.register_with_unit("received", help, Unit::Bytes, all.received);
        let help = "Bytes of messages to clients, without frames";
        registry.register_with_unit("sent", help, Unit::Bytes, all.sent);
        registry.register("results", "Results of pieces that are over", all.results);
    }
}

fn register_now(registry: &mut Registry, now: &Now<'_>) {
    let mut gauge = |name: &str, help: &str, value: u64| {
        let gauge: Gauge = Gauge::default();
        gauge.set(i64::try_from(value).unwrap_or(i64::MAX));
        registry.register(name, help, gauge);
    };
    gauge("sessions", "Sessions open in memory", now.sessions as u64);
    gauge("connections", "Connections of any kind", now.connections as u64);
    gauge("connections_max", "Connections that the settings allow", now.connections_max as u64);
    gauge("ready", "1 when new work is accepted, as /readyz says", u64::from(now.ready));
    if let Some(disk) = Disk::of(now.data) {
        let mut gauge = |name: &str, help: &str, bytes: u64| {
            let gauge: Gauge = Gauge::default();
            gauge.set(i64::try_from(bytes).unwrap_or(i64::MAX));
            registry.register_with_unit(name, help, Unit::Bytes, gauge);
        };
        gauge("disk_free", "Room left on the disk of the data folder", disk.free);
        gauge("disk_size", "Size of the disk of the data folder", disk.size);
    }
    let unknown: Counter = Counter::default();
    unknown.inc_by(now.unknown_fields);
    let help = "Fields of messages that this server does not know";
    registry.register("unknown_fields", help, unknown);
    let build = Info::new([("version", env!("CARGO_PKG_VERSION"))]);
    registry.register("build", "The program", build);
}

/// One more in a gauge, for as long as this lives.
#[derive(Debug)]
pub struct Counted(Gauge);

impl Counted {
    /// Counts one.
    #[must_use]
    pub fn one(gauge: Gauge) -> Counted {
        gauge.inc();
        Counted(gauge)
    }
}

impl Drop for Counted {
    fn drop(&mut self) {
        self.0.dec();
    }
}

fn role_name(role: Role) -> &'static str {
    match role {
        Role::Coach => "coach",
        Role::Athlete => "athlete",
        Role::Board => "board",
    }
}

/// As the protocol writes it.
fn why_name(why: Why) -> String {
    let written = serde_json::to_value(why).ok();
    written.and_then(|why| why.as_str().map(str::to_owned)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_is_written_as_the_protocol_writes_it() {
        assert_eq!(why_name(Why::NotInCommand), "not_in_command");
    }
}
