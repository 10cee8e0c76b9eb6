//! What a run has shown, in numbers.

use hdrhistogram::Histogram;
use serde::Serialize;

use crate::{floor::Lengths, machine::Spent, wire::Traffic};

/// Latencies from a microsecond to two minutes, to three digits.
pub(crate) fn latencies() -> Histogram<u64> {
    Histogram::new_with_bounds(1, 120_000_000, 3).expect("these bounds are in order")
}

/// A distribution of latencies in milliseconds.
#[derive(Clone, Copy, Debug, Default, Serialize)]
pub(crate) struct Latency {
    /// How many were measured.
    pub(crate) count: u64,
    /// Half are faster.
    pub(crate) p50_ms: f64,
    /// One in a hundred is slower.
    pub(crate) p99_ms: f64,
    /// One in a thousand is slower.
    pub(crate) p999_ms: f64,
    /// The slowest.
    pub(crate) max_ms: f64,
}

impl Latency {
    /// From a histogram of microseconds.
    pub(crate) fn of(histogram: &Histogram<u64>) -> Latency {
        let ms = |share: f64| histogram.value_at_quantile(share) as f64 / 1e3;
        Latency {
            count: histogram.len(),
            p50_ms: ms(0.5),
            p99_ms: ms(0.99),
            p999_ms: ms(0.999),
            max_ms: histogram.max() as f64 / 1e3,
        }
    }
}

/// What must not happen, counted; all zero when nothing was lost.
#[derive(Clone, Copy, Debug, Default, Serialize)]
pub(crate) struct Lost {
    /// Samples that were acknowledged and are not in the journal as they were sent.
    pub(crate) acknowledged_not_in_journal: u64,
    /// Samples that were never acknowledged, though the run waited for them.
    pub(crate) never_acknowledged: u64,
    /// Athletes whose result according to the journal is not the one computed from what was sent.
    pub(crate) results_unlike_sent: u64,
    /// Athletes who were told a different result from the journal's.
    pub(crate) results_unlike_told: u64,
    /// Athletes who never got a call that went out to them.
    pub(crate) calls_missing: u64,
    /// Calls that the server refused though people were rowing.
    pub(crate) calls_refused: u64,
    /// Samples that were refused, though none of them was wrong.
    pub(crate) samples_refused: u64,
    /// The server had a new journal after a restart.
    pub(crate) journals_lost: u64,
    /// Connections that ended without anybody ending them on purpose.
    pub(crate) connections_lost: u64,
}

impl Lost {
    /// Whether nothing was lost.
    pub(crate) fn nothing(&self) -> bool {
        let Lost {
            acknowledged_not_in_journal,
            never_acknowledged,
            results_unlike_sent,
            results_unlike_told,
            calls_missing,
            calls_refused,
            samples_refused,
            journals_lost,
            connections_lost,
        } = self;
        acknowledged_not_in_journal
            + never_acknowledged
            + results_unlike_sent
            + results_unlike_told
            + calls_missing
            + calls_refused
            + samples_refused
            + journals_lost
            + connections_lost
            == 0
    }
}

/// Everything that one run has shown.
#[derive(Clone, Debug, Default, Serialize)]
pub(crate) struct Figures {
    /// Which server.
    pub(crate) server: String,
    /// Athletes connected.
    pub(crate) athletes: usize,
    /// Seconds measured.
    pub(crate) seconds: f64,
    /// From the moment a call was due at the coach to each athlete.
    pub(crate) call: Latency,
    /// From the moment a stroke was due to its acknowledgement.
    pub(crate) acknowledged: Latency,
    /// The same for strokes that a lost connection delayed.
    pub(crate) acknowledged_after_loss: Latency,
    /// From the moment a stroke was due to the standings on a board that include it.
    pub(crate) board: Latency,
    /// From the coach's start to the news of it at each athlete, who then counts down by the clock.
    pub(crate) start: Latency,
    /// From the first to the last athlete who heard of the start.
    pub(crate) start_spread_ms: f64,
    /// From the first connection to the last welcome.
    pub(crate) join_s: f64,
    /// Connections and joins that were refused while everybody came in.
    pub(crate) join_refused: u64,
    /// Processor seconds a second, in the server's own code.
    pub(crate) cpu_user: f64,
    /// Processor seconds a second, in the kernel for the server.
    pub(crate) cpu_system: f64,
    /// Processor time for each message that was delivered, microseconds.
    pub(crate) us_per_message: f64,
    /// Messages delivered a second.
    pub(crate) delivered_per_s: f64,
    /// Messages to the server a second.
    pub(crate) received_per_s: f64,
    /// Bytes delivered a second.
    pub(crate) delivered_bytes_per_s: f64,
    /// Bytes to the server a second.
    pub(crate) received_bytes_per_s: f64,
    /// Resident memory that each athlete's connection has added, KiB.
    pub(crate) resident_kib_per_connection: f64,
    /// Resident memory at the end, KiB.
    pub(crate) resident_kib: u64,
    /// Resident memory for each minute of the window, KiB.
    pub(crate) resident_kib_by_minute: Vec<u64>,
    /// Bytes of the journal for each stroke.
    pub(crate) journal_bytes_per_stroke: f64,
    /// Strokes sent.
    pub(crate) strokes: u64,
    /// Connections lost on purpose.
    pub(crate) drops: u64,
    /// How late the crowd itself was with its strokes: if this is large, it was the crowd that was measured.
    pub(crate) crowd_late: Latency,
    /// What was lost.
    pub(crate) lost: Lost,
    /// The machine's load before the run, as the kernel reports it.
    pub(crate) load_before: String,
    /// Lengths of messages, for the floor.
    #[serde(skip)]
    pub(crate) lengths: Lengths,
}

impl Figures {
    /// Fills in what the server spent over the window.
    pub(crate) fn spent(&mut self, spent: Spent, seconds: f64, traffic: Traffic) {
        self.seconds = seconds;
        self.cpu_user = spent.user_s / seconds;
        self.cpu_system = spent.system_s / seconds;
        self.us_per_message = spent.all_s() * 1e6 / traffic.heard.max(1) as f64;
        self.delivered_per_s = traffic.heard as f64 / seconds;
        self.received_per_s = traffic.said as f64 / seconds;
        self.delivered_bytes_per_s = traffic.heard_bytes as f64 / seconds;
        self.received_bytes_per_s = traffic.said_bytes as f64 / seconds;
    }

    /// The lines of the table: what, and how much.
    pub(crate) fn lines(&self) -> Vec<(&'static str, String)> {
        let latency = |l: &Latency| {
            format!(
                "p50 {:.1}  p99 {:.1}  p99.9 {:.1}  max {:.1} ms  (n {})",
                l.p50_ms, l.p99_ms, l.p999_ms, l.max_ms, l.count
            )
        };
        let mut lines = vec![
            ("call -> athlete", latency(&self.call)),
            ("stroke -> durable", latency(&self.acknowledged)),
        ];
        if self.acknowledged_after_loss.count > 0 {
            lines.push(("  after a loss", latency(&self.acknowledged_after_loss)));
        }
        lines.extend([
            ("stroke -> board", latency(&self.board)),
            ("start -> athlete", latency(&self.start)),
            ("start spread", format!("{:.1} ms", self.start_spread_ms)),
            (
                "all joined",
                format!("after {:.2} s, {} refused on the way", self.join_s, self.join_refused),
            ),
            (
                "server CPU",
                format!(
                    "{:.3} s/s ({:.3} own code, {:.3} kernel)",
                    self.cpu_user + self.cpu_system,
                    self.cpu_user,
                    self.cpu_system
                ),
            ),
            ("a message", format!("{:.2} us of CPU", self.us_per_message)),
            (
                "out",
                format!(
                    "{:.0} messages/s, {:.2} MB/s",
                    self.delivered_per_s,
                    self.delivered_bytes_per_s / 1e6
                ),
            ),
            (
                "in",
                format!(
                    "{:.0} messages/s, {:.2} MB/s",
                    self.received_per_s,
                    self.received_bytes_per_s / 1e6
                ),
            ),
            (
                "memory",
                format!(
                    "{:.1} KiB a connection, {:.0} MiB at the end",
                    self.resident_kib_per_connection,
                    self.resident_kib as f64 / 1024.0
                ),
            ),
            ("memory grown", self.grown()),
            ("journal", format!("{:.0} bytes a stroke", self.journal_bytes_per_stroke)),
            ("rowed", format!("{} strokes, {} connections dropped", self.strokes, self.drops)),
            ("crowd late", latency(&self.crowd_late)),
            (
                "lost",
                if self.lost.nothing() { "nothing".to_owned() } else { format!("{:?}", self.lost) },
            ),
        ]);
        lines
    }

    /// How much the memory has grown over the second half of the window: what was rowed is kept, and nothing
    /// else may grow.
    fn grown(&self) -> String {
        let by_minute = &self.resident_kib_by_minute;
        let half = by_minute.len() / 2;
        let (Some(middle), Some(last), true) = (by_minute.get(half), by_minute.last(), half >= 2)
        else {
            return "reported for runs of four minutes and more".to_owned();
        };
        let minutes = (by_minute.len() - 1 - half) as f64;
        let strokes = self.strokes as f64 * minutes * 60.0 / self.seconds.max(1.0);
        let grown = last.saturating_sub(*middle) as f64 * 1024.0;
        format!(
            "{:.0} bytes a stroke over the last {minutes:.0} minutes (from {:.0} to {:.0} MiB)",
            grown / strokes.max(1.0),
            *middle as f64 / 1024.0,
            *last as f64 / 1024.0
        )
    }

    /// The figures of several runs, each the median of its own kind.
    pub(crate) fn median(runs: &[Figures]) -> Figures {
        let median = |of: &dyn Fn(&Figures) -> f64| middle(runs.iter().map(of).collect());
        let Some(last) = runs.last() else { return Figures::default() };
        let latency = |of: &dyn Fn(&Figures) -> Latency| Latency {
            count: runs.iter().map(|run| of(run).count).sum(),
            p50_ms: median(&|run| of(run).p50_ms),
            p99_ms: median(&|run| of(run).p99_ms),
            p999_ms: median(&|run| of(run).p999_ms),
            max_ms: median(&|run| of(run).max_ms),
        };
        let lost = runs.iter().map(|run| run.lost).find(|lost| !lost.nothing());
        Figures {
            server: last.server.clone(),
            call: latency(&|run| run.call),
            acknowledged: latency(&|run| run.acknowledged),
            acknowledged_after_loss: latency(&|run| run.acknowledged_after_loss),
            board: latency(&|run| run.board),
            start: latency(&|run| run.start),
            crowd_late: latency(&|run| run.crowd_late),
            start_spread_ms: median(&|run| run.start_spread_ms),
            join_s: median(&|run| run.join_s),
            cpu_user: median(&|run| run.cpu_user),
            cpu_system: median(&|run| run.cpu_system),
            us_per_message: median(&|run| run.us_per_message),
            delivered_per_s: median(&|run| run.delivered_per_s),
            received_per_s: median(&|run| run.received_per_s),
            delivered_bytes_per_s: median(&|run| run.delivered_bytes_per_s),
            received_bytes_per_s: median(&|run| run.received_bytes_per_s),
            resident_kib_per_connection: median(&|run| run.resident_kib_per_connection),
            journal_bytes_per_stroke: median(&|run| run.journal_bytes_per_stroke),
            lost: lost.unwrap_or_default(),
            ..last.clone()
        }
    }
}

/// The middle of these, or the mean of the two middle ones.
pub(crate) fn middle(mut numbers: Vec<f64>) -> f64 {
    numbers.sort_by(f64::total_cmp);
    let (low, high) = (numbers.len().saturating_sub(1) / 2, numbers.len() / 2);
    let at = |at: usize| numbers.get(at).copied().unwrap_or(f64::NAN);
    (at(low) + at(high)) / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_of_an_even_number_is_between_the_middle_two() {
        assert_eq!((middle(vec![3.0, 1.0, 2.0]), middle(vec![4.0, 1.0, 2.0, 3.0])), (2.0, 2.5));
    }

    #[test]
    fn a_single_loss_in_any_round_is_told_in_the_median() {
        let lossy =
            Figures { lost: Lost { calls_missing: 1, ..Lost::default() }, ..Figures::default() };
        let median = Figures::median(&[Figures::default(), lossy, Figures::default()]);
        assert!(!median.lost.nothing());
    }
}
