//! One run from the empty server to the checked journal.

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
    time::Duration,
};

use indicatif::ProgressBar;
use thole_protocol::{ClientMsg, client_msg::AddAthletes, limits::ADDED_MAX, order::Order};

use crate::{
    checks,
    crowd::{COACHES, Crowd, us},
    figures::{Figures, Latency},
    floor::Lengths,
    machine::{self, Cores, Process, Spent},
    settings::{Settings, TEAMS},
    wire::Traffic,
};

/// Athletes in one order that adds them.
pub(crate) const ADDED: usize = ADDED_MAX;
/// Calls go to everybody this often, and to one team half-way in between.
const CALL_EVERY: Duration = Duration::from_secs(5);
/// Longest wait for what should take moments.
const PATIENCE: Duration = Duration::from_secs(30);
/// Everybody has joined by then, or the run is abandoned.
const JOIN_PATIENCE: Duration = Duration::from_secs(120);
/// How often the bar moves.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// Anybody who has heard nothing new for this long has heard everything.
const QUIET_FOR: Duration = Duration::from_secs(3);
/// A killed server stays away this long.
const DEAD_FOR: Duration = Duration::from_millis(700);
/// The countdown of the floor, which has no clock.
const FLOOR_COUNTS_MS: u64 = 5_000;

/// Limits that a crowd at one address would run into.
pub(crate) const RAISED: [&str; 14] = [
    "--athletes-max",
    "100000",
    "--connections-max",
    "100000",
    "--connections-per-address",
    "100000",
    "--strangers-per-address",
    "100000",
    "--strangers-max",
    "100000",
    "--wrong-codes",
    "100000",
    "--messages-per-s",
    "1000",
];

/// What is run.
#[derive(Clone, Debug)]
pub(crate) enum Tried {
    /// A server of ours.
    Server(PathBuf),
    /// The bare one.
    Floor(Lengths),
}

impl Tried {
    fn name(&self) -> String {
        match self {
            Tried::Server(_) => "thole-server".to_owned(),
            Tried::Floor(_) => "floor".to_owned(),
        }
    }

    fn is_floor(&self) -> bool {
        matches!(self, Tried::Floor(_))
    }

    /// Starts it with its journal and log in a folder.
    ///
    /// # Errors
    /// It cannot be started.
    pub(crate) fn start(
        &self,
        data: &Path,
        listen: &str,
        cores: &Cores,
    ) -> Result<Process, String> {
        let log = data.join("log");
        match self {
            Tried::Server(program) => {
                let mut command = Command::new(program);
                command.args(["serve", "--listen", listen, "--data"]).arg(data.join("journal"));
                // Only what should be looked into: log lines cost time, and are not part of the work.
                command.env("RUST_LOG", "warn");
                command.args(RAISED);
                Process::start(&mut command, cores, &log)
            }
            Tried::Floor(lengths) => {
                let own = std::env::current_exe().map_err(|error| error.to_string())?;
                let lengths = serde_json::to_string(lengths).map_err(|error| error.to_string())?;
                let mut command = Command::new(own);
                Process::start(command.args(["--be-floor", &lengths]), cores, &log)
            }
        }
    }
}

/// Runs once and reports what was seen.
///
/// # Errors
/// One sentence: what could not be done, so that nothing was measured.
pub(crate) fn run(
    settings: &Settings,
    tried: &Tried,
    cores: &Cores,
    seed: u64,
    bar: &ProgressBar,
) -> Result<Figures, String> {
    let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
    let process = tried.start(folder.path(), "127.0.0.1:0", cores)?;
    let crowd = Crowd::gathered(settings, process.address, machine_key(folder.path()), seed);
    let crowd = crowd.map_err(|error| format!("the crowd cannot gather: {error}"))?;
    let mut run = Run {
        settings,
        tried,
        cores,
        folder: folder.path(),
        bar,
        process: Some(process),
        spent_by_the_killed: Spent::default(),
        figures: Figures {
            server: tried.name(),
            load_before: machine::load(),
            ..Figures::default()
        },
        crowd,
    };
    run.prepare()?;
    run.join()?;
    run.row()?;
    run.close()?;
    Ok(run.figures)
}

/// The key with which a program on the server's machine makes a session; the floor needs none.
fn machine_key(folder: &Path) -> Option<String> {
    let left = fs::read_to_string(folder.join("journal").join("machine-key")).ok()?;
    left.lines().next().map(str::to_owned)
}

struct Run<'a> {
    settings: &'a Settings,
    tried: &'a Tried,
    cores: &'a Cores,
    folder: &'a Path,
    bar: &'a ProgressBar,
    process: Option<Process>,
    spent_by_the_killed: Spent,
    figures: Figures,
    crowd: Crowd,
}

impl Run<'_> {
    fn pid(&self) -> u32 {
        self.process.as_ref().map_or(0, Process::pid)
    }

    fn wait(
        &mut self,
        what: &str,
        patience: Duration,
        is_so: impl FnMut(&Crowd) -> bool,
    ) -> Result<(), String> {
        let is_so = self.crowd.until(is_so, patience).map_err(|error| error.to_string())?;
        if is_so {
            Ok(())
        } else {
            let told = match self.crowd.last_refusal.as_str() {
                "" => String::new(),
                says => format!("; the coach was told: {says}"),
            };
            Err(format!("waited {} s in vain until {what}{told}", patience.as_secs()))
        }
    }

    /// A coach, a session, a piece, a roster, boards.
    fn prepare(&mut self) -> Result<(), String> {
        self.bar.set_message("the coach prepares");
        let coach = self.crowd.coach();
        self.crowd.come(coach, 0);
        self.wait("the coach is in", PATIENCE, |crowd| crowd.in_of(coach..coach + 1) == 1)?;
        for place in self.crowd.screens().skip(1) {
            self.crowd.come(place, 0);
        }
        let screens = self.crowd.screens();
        let all = screens.len();
        self.wait("coaches and boards are in", PATIENCE, move |crowd| {
            crowd.in_of(screens.clone()) == all
        })?;
        if self.tried.is_floor() {
            return Ok(());
        }
        let pieces = vec![self.settings.piece()];
        let mut orders = vec![self.crowd.order(Order::SetPieces { pieces })];
        let entries: Vec<_> = self.crowd.athletes.iter().map(|athlete| athlete.entry()).collect();
        for some in entries.chunks(ADDED) {
            let command = self.crowd.command();
            let add = AddAthletes { command, athletes: some.to_vec() };
            self.crowd.say(coach, &ClientMsg::AddAthletes(add));
            orders.push(command);
        }
        self.wait("the roster is entered", PATIENCE, |crowd| {
            orders.iter().all(|order| crowd.done.contains(order)) && crowd.offset_us.is_some()
        })
    }

    /// Everybody at once.
    fn join(&mut self) -> Result<(), String> {
        let before = machine::resident_kib(self.pid())?;
        let (all, now) = (self.crowd.athletes.len(), self.crowd.clock.now_us());
        for place in 0..all {
            self.crowd.come(place, now);
        }
        let bar = self.bar;
        self.wait("everybody is in", JOIN_PATIENCE, |crowd| {
            let there = crowd.athletes_in();
            bar.set_message(format!("{there} of {all} have joined"));
            there == all
        })?;
        self.figures.join_s = (self.crowd.clock.now_us() - now) as f64 / 1e6;
        self.figures.join_refused = self.crowd.seen.refused_joins;
        self.figures.athletes = all;
        // The news about the roster goes round, and the server comes to rest.
        let rested = self.crowd.clock.now_us() + us(Duration::from_secs(2));
        self.crowd.until_us(rested).map_err(|error| error.to_string())?;
        let after = machine::resident_kib(self.pid())?;
        self.figures.resident_kib_per_connection =
            (after.saturating_sub(before)) as f64 / all as f64;
        Ok(())
    }

    /// Arms, starts, and rows for the seconds that are measured.
    fn row(&mut self) -> Result<(), String> {
        let piece = self.settings.piece();
        for athlete in &mut self.crowd.athletes {
            athlete.sit_down(&piece);
        }
        if self.tried.is_floor() {
            self.crowd.offset_us = Some(0);
            let now_ms = self.crowd.clock.now_us() / 1_000;
            let go = now_ms + FLOOR_COUNTS_MS;
            self.crowd.go_at_ms = Some(go);
            self.crowd.signal(0, go);
        } else {
            let armed = self.crowd.order(Order::Arm);
            self.wait("the piece is armed", PATIENCE, |crowd| crowd.done.contains(&armed))?;
            self.crowd.start_due_us = self.crowd.clock.now_us();
            self.crowd.order(Order::Start);
            self.wait("the countdown runs", PATIENCE, |crowd| crowd.go_at_ms.is_some())?;
        }
        let go_us = self.crowd.us_of(self.crowd.go_at_ms.unwrap_or(0));
        self.crowd.until_us(go_us).map_err(|error| error.to_string())?;
        let (spent, traffic) = (self.spent()?, self.crowd.traffic);
        self.measure(go_us)?;
        let seconds = (self.crowd.clock.now_us() - go_us) as f64 / 1e6;
        let traffic = since(self.crowd.traffic, traffic);
        let spent = self.spent()?.since(spent);
        self.figures.spent(spent, seconds, traffic);
        self.figures.resident_kib = machine::resident_kib(self.pid())?;
        Ok(())
    }

    /// Rows on, and calls, drops and kills as they fall due.
    fn measure(&mut self, go_us: u64) -> Result<(), String> {
        let end = go_us + u64::from(self.settings.seconds) * 1_000_000;
        self.crowd.rows_until_us = end;
        let half = us(CALL_EVERY) / 2;
        let mut call = 0_usize;
        let mut look = go_us;
        let mut kill = self.settings.kill_server_at.filter(|_| !self.tried.is_floor());
        let dropped_per_s =
            self.settings.drop.unwrap_or(0.0) * self.settings.athletes as f64 / 60.0;
        let mut to_drop = 0.0;
        loop {
            let call_at = go_us + half * (call as u64 + 1);
            let next = call_at.min(look).min(end);
            self.crowd.until_us(next).map_err(|error| error.to_string())?;
            let now = self.crowd.clock.now_us();
            if now >= end {
                return Ok(());
            }
            if now >= call_at {
                // To everybody, to a team, to everybody …
                let team = (call % 2 == 1).then_some(call / 2);
                self.crowd.call(call_at, team, self.tried.is_floor());
                call += 1;
            }
            if now >= look {
                look += us(LOOK_EVERY);
                to_drop += dropped_per_s * LOOK_EVERY.as_secs_f64();
                while to_drop >= 1.0 {
                    self.crowd.drop_one();
                    to_drop -= 1.0;
                }
                self.tell(now.saturating_sub(go_us));
                let minutes = self.figures.resident_kib_by_minute.len() as u64;
                if now >= go_us + minutes * 60_000_000 {
                    let resident = machine::resident_kib(self.pid())?;
                    self.figures.resident_kib_by_minute.push(resident);
                }
            }
            if kill.is_some_and(|at| now >= go_us + u64::from(at) * 1_000_000) {
                kill = None;
                self.kill()?;
            }
        }
    }

    fn tell(&self, gone_us: u64) {
        self.bar.set_position(gone_us / 1_000_000);
        let seen = &self.crowd.seen;
        let p99 = |of: &hdrhistogram::Histogram<u64>| of.value_at_quantile(0.99) as f64 / 1e3;
        self.bar.set_message(format!(
            "{} rowing, {} strokes, p99 call {:.0} ms, stroke {:.0} ms",
            self.crowd.athletes_in(),
            seen.acknowledged.len(),
            p99(&seen.call),
            p99(&seen.acknowledged)
        ));
    }

    /// What the server has used, over all its restarts.
    fn spent(&self) -> Result<Spent, String> {
        let now = Spent::of(self.pid())?;
        let before = self.spent_by_the_killed;
        Ok(Spent { user_s: now.user_s + before.user_s, system_s: now.system_s + before.system_s })
    }

    fn kill(&mut self) -> Result<(), String> {
        self.spent_by_the_killed = self.spent()?;
        let Some(process) = self.process.take() else { return Ok(()) };
        let listen = process.address.to_string();
        self.crowd.killing = true;
        process.kill().map_err(|error| error.to_string())?;
        let back = self.crowd.clock.now_us() + us(DEAD_FOR);
        self.crowd.until_us(back).map_err(|error| error.to_string())?;
        self.process = Some(self.tried.start(self.folder, &listen, self.cores)?);
        let all = self.crowd.athletes.len();
        self.wait("everybody is back", JOIN_PATIENCE, |crowd| crowd.athletes_in() == all)?;
        self.crowd.killing = false;
        Ok(())
    }

    /// Ends the piece, waits for what is on its way, stops the server, and looks for losses.
    fn close(&mut self) -> Result<(), String> {
        self.bar.set_message("the piece ends, nothing may be lost");
        let stopped = (!self.tried.is_floor()).then(|| self.crowd.order(Order::Stop));
        self.crowd.killing = false;
        let all = self.crowd.athletes.len();
        let settled = self.crowd.until(
            |crowd| {
                crowd.has_done_all_that_was_due()
                    && crowd.unacknowledged() == 0
                    && crowd.athletes_in() == all
                    && stopped.is_none_or(|stopped| crowd.done.contains(&stopped))
            },
            PATIENCE,
        );
        settled.map_err(|error| error.to_string())?;
        self.hear_out()?;
        self.figures.lost.never_acknowledged = self.crowd.unacknowledged() as u64;
        self.crowd.leaving = true;
        if let Some(process) = self.process.take() {
            match self.tried {
                Tried::Server(_) => process.stop()?,
                Tried::Floor(_) => process.kill().map_err(|error| error.to_string())?,
            }
        }
        self.take_down();
        if self.tried.is_floor() {
            return Ok(());
        }
        let journal = self.folder.join("journal");
        let size = fs::metadata(journal.join("thole.db")).map_err(|error| error.to_string())?.len();
        let strokes: usize = self.crowd.athletes.iter().map(|a| a.strokes.len()).sum();
        self.figures.journal_bytes_per_stroke = size as f64 / strokes.max(1) as f64;
        self.bar.set_message("the journal is compared with what was sent");
        checks::check(&self.crowd, &journal, &mut self.figures.lost)
    }

    /// Listens until the coach is told nothing more: on a busy machine the results take their time.
    fn hear_out(&mut self) -> Result<(), String> {
        let patience = self.crowd.clock.now_us() + us(PATIENCE);
        loop {
            let told = self.crowd.coach_events.len();
            let quiet = self.crowd.clock.now_us() + us(QUIET_FOR);
            self.crowd.until_us(quiet).map_err(|error| error.to_string())?;
            let silent = self.crowd.coach_events.len() == told;
            if silent || self.crowd.clock.now_us() > patience {
                return Ok(());
            }
        }
    }

    /// Everything that was seen, as figures.
    fn take_down(&mut self) {
        let seen = &self.crowd.seen;
        let figures = &mut self.figures;
        figures.call = Latency::of(&seen.call);
        figures.acknowledged = Latency::of(&seen.acknowledged);
        figures.acknowledged_after_loss = Latency::of(&seen.acknowledged_after_loss);
        figures.board = Latency::of(&seen.board);
        figures.start = Latency::of(&seen.start);
        figures.crowd_late = Latency::of(&seen.late);
        let first = seen.first_start_us.unwrap_or(seen.last_start_us);
        figures.start_spread_ms = (seen.last_start_us - first) as f64 / 1e3;
        figures.strokes = self.crowd.athletes.iter().map(|a| a.strokes.len() as u64).sum();
        figures.drops = seen.dropped;
        figures.lost.samples_refused = seen.refused_samples;
        figures.lost.calls_refused = seen.refused_calls;
        figures.lost.journals_lost = seen.journals_lost;
        figures.lost.connections_lost = seen.connections_lost;
        let usual = Lengths::default();
        figures.lengths = Lengths {
            ack: seen.ack.or(usual.ack),
            welcome: seen.welcome.or(usual.welcome),
            call: seen.call_text.or(usual.call),
            standings: seen.standings.or(usual.standings),
            overview: seen.overview.or(usual.overview),
            call_sent: seen.call_sent.or(usual.call_sent),
        };
    }
}

fn since(now: Traffic, before: Traffic) -> Traffic {
    Traffic {
        heard: now.heard - before.heard,
        heard_bytes: now.heard_bytes - before.heard_bytes,
        said: now.said - before.said,
        said_bytes: now.said_bytes - before.said_bytes,
    }
}

/// How many screens are watching, for the report.
pub(crate) fn screens(settings: &Settings) -> String {
    format!("{COACHES} devices of the coach, {} boards, {} teams", settings.boards, TEAMS.len())
}
