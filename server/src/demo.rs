//! `thole-server demo`: an invented class on an invented evening, rowed by real clients over real
//! WebSockets, so that everything can be seen before anybody is asked to row.

use std::{
    collections::BTreeSet, fs::Permissions, io::Write, net::SocketAddr,
    os::unix::fs::PermissionsExt, sync::Arc, time::Duration,
};

use clap::Args;
use thole::{
    address::{Address, PlaceLink},
    coach::{Coach, CoachNews},
    course::Source,
    enter,
    seat::Seat,
    socket::Dial,
    table::{notice_text, result_text, standings_text},
    wording::repeats_text,
};
use thole_protocol::{
    client_msg::{Create, Role},
    event::Happening,
    order::Order,
    server_msg::{Created, Joined},
    standing::{Doing, Notice, Phase},
    units::{At, Millis},
};
use tokio::task::JoinSet;

use crate::{
    Running, clock::Clock, config::ServeArgs, journal::sqlite::SqliteJournal, printed::Printed,
    start,
};

mod class;
mod season;

/// Standings are printed this often.
const STANDINGS_EVERY: Millis = Millis(30_000);
/// Everybody sits ready for this long before the countdown, in real time.
const ARMED_FOR: Duration = Duration::from_secs(2);
/// Whoever is not there after this is not waited for, in real time.
const GATHER_AT_MOST: Duration = Duration::from_secs(15);

/// How the demo runs.
#[derive(Args, Clone, Debug)]
pub struct DemoArgs {
    /// REHEARSAL: how many times faster than real time
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=200))]
    pub speed: u32,
    /// Address and port to listen on; port 0 takes any that is free
    #[arg(long, default_value = "127.0.0.1:8737", value_name = "ADDRESS")]
    pub listen: SocketAddr,
}

/// Rows the demo and then stays until it is stopped; leaves nothing behind.
///
/// # Errors
/// One sentence: the address is taken, or something in the demo went wrong.
pub async fn run(args: &DemoArgs) -> Result<(), String> {
    let folder = tempfile::Builder::new()
        .prefix("thole-demo-")
        .permissions(Permissions::from_mode(0o700))
        .tempdir()
        .map_err(|error| format!("There is no room for temporary files: {error}."))?;
    let settings = ServeArgs::default()
        .with("listen", args.listen)
        .with("data", folder.path().display())
        .with("inner-listen", "off")
        .with("speed", args.speed)
        .settings()?;
    season::row(folder.path(), Clock::new(1).unix_ms())?;
    let journal = SqliteJournal::open(folder.path()).map_err(|error| error.to_string())?;
    let running = start(settings, Arc::new(journal)).await?;
    let shown = tokio::select! {
        failed = running.failed() => Err(failed),
        shown = evening(&running, args.speed) => shown,
        stopped = stopped() => stopped,
    };
    running.stop().await;
    folder
        .close()
        .map_err(|error| format!("The temporary files could not be removed: {error}."))?;
    shown
}

/// Says the next thing. When nobody reads any more the demo ends tidily, as other programs in a pipe do.
fn say(text: &str) -> Result<(), String> {
    let mut out = Printed::here();
    writeln!(out, "{text}")
        .and_then(|()| out.flush())
        .map_err(|error| format!("The demo ends, because its output cannot be written: {error}."))
}

/// Waits until somebody stops the program.
async fn stopped() -> Result<(), String> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate()).map_err(|error| error.to_string())?;
    tokio::select! {
        _ = terminate.recv() => Ok(()),
        interrupted = tokio::signal::ctrl_c() => interrupted.map_err(|error| error.to_string()),
    }
}

/// The whole evening; after that it never ends.
async fn evening(running: &Running, speed: u32) -> Result<(), String> {
    let host = match running.address.ip() {
        ip if ip.is_unspecified() => "127.0.0.1".to_owned(),
        ip => ip.to_string(),
    };
    let address = Address { tls: false, host, port: running.address.port() };
    let dial = Dial::network(address.clone());
    let create = Create {
        title: class::TITLE.into(),
        settings: class::settings(),
        key: running.server.makers.machine_key(),
    };
    let created = enter::create(&dial, create).await.map_err(|e| e.says().to_owned())?;
    let mut coach = Coach::open(dial.clone(), created.coach_secret.clone(), None, class::SEED);
    let joined = gather(&mut coach).await?;
    let club =
        running.server.makers.machine_key().map(|key| address.page(&format!("/club/#{key}")));
    say(&welcome(&address, &created, &joined, speed, club.as_deref().unwrap_or_default()))?;

    // They row on their own, each over a connection of their own.
    let mut seats = JoinSet::new();
    for (athlete, joined) in class::ATHLETES.iter().zip(&joined) {
        let source = Source::Simulated { build: Box::new(athlete.build()), own_pace: false };
        let config = athlete.config(dial.clone(), joined.secret.clone(), speed);
        let mut seat = Seat::take(config, source, athlete.drops());
        seats.spawn(async move { while seat.next().await.is_some() {} });
    }
    Evening::new(coach).lead().await?;
    say("\nThe class stays, and so do the addresses above. Stop the demo with Ctrl-C; it leaves \
         nothing behind.")?;
    while seats.join_next().await.is_some() {}
    std::future::pending().await
}

/// The pieces and the roster, by the coach's orders.
async fn gather(coach: &mut Coach) -> Result<Vec<Joined>, String> {
    let pieces = coach.order(Order::SetPieces { pieces: vec![class::piece()?] });
    let added = coach.add(class::roster()?);
    let (mut set, mut links) = (false, None);
    while let Some(told) = coach.next().await {
        match told {
            CoachNews::Done(command) => set |= command == pieces,
            CoachNews::Links(got) if got.command == added => links = Some(got.links),
            CoachNews::Refused(_, refusal) => return Err(refusal.says),
            CoachNews::Ended(ended) => return Err(ended.says),
            CoachNews::Welcome
            | CoachNews::Event(_)
            | CoachNews::Overview(_)
            | CoachNews::Links(_)
            | CoachNews::BoardLink(_)
            | CoachNews::CoachLink(_)
            | CoachNews::ResultsTable(..)
            | CoachNews::Requests
            | CoachNews::InCommand(_)
            | CoachNews::Lost { .. } => {}
        }
        if set && let Some(links) = links.take() {
            return Ok(links);
        }
    }
    Err("The server has ended.".into())
}

fn welcome(
    address: &Address,
    created: &Created,
    joined: &[Joined],
    speed: u32,
    club: &str,
) -> String {
    let link = |role, secret: &str| {
        let code = Some(created.code.clone());
        PlaceLink { address: address.clone(), role, code, secret: secret.to_owned() }.to_string()
    };
    let rehearsal = match speed {
        1 => String::new(),
        speed => format!("REHEARSAL: everything runs {speed} times faster than real time.\n\n"),
    };
    let guest = joined.last().map_or("", |joined| joined.secret.as_str());
    format!(
        "{rehearsal}{}: twelve invented athletes, each against a target of their own.\n\n  \
         Coach        {}\n               (the demo's own coach leads; take command there to lead yourself)\n  \
         Athlete      {}   (join code {})\n  A free seat  {}\n  Board        {}\n  Club         {club}\n",
        class::TITLE,
        link(Role::Coach, &created.coach_secret),
        address.page(&format!("/row/{}", created.code.as_str())),
        created.code,
        link(Role::Athlete, guest),
        link(Role::Board, &created.board_secret),
    )
}

/// The demo's coach.
struct Evening {
    coach: Coach,
    calls: Vec<(Millis, class::Call)>,
    phase: Phase,
    standings_at: Option<At>,
    notices: Vec<Notice>,
    /// Entries of the call sheet that have been mentioned.
    sheet_told: BTreeSet<u16>,
    closing: bool,
}

impl Evening {
    fn new(coach: Coach) -> Evening {
        Evening {
            coach,
            calls: class::calls(),
            phase: Phase::Gathering,
            standings_at: None,
            notices: Vec::new(),
            sheet_told: BTreeSet::new(),
            closing: false,
        }
    }

    /// From the first athlete to the results.
    async fn lead(&mut self) -> Result<(), String> {
        // Whoever is missing by then is not waited for; the piece says who was there.
        if let Ok(here) = tokio::time::timeout(GATHER_AT_MOST, self.until_here()).await {
            here?;
        }
        self.coach.order(Order::Arm);
        say("Everybody sits ready.")?;
        let wait = tokio::time::sleep(ARMED_FOR);
        tokio::pin!(wait);
        loop {
            tokio::select! {
                () = &mut wait => break,
                told = self.coach.next() => self.told(told)?,
            }
        }
        self.coach.order(Order::Start);
        while !matches!(self.phase, Phase::Finished { .. } | Phase::Stopped { .. }) {
            let told = self.coach.next().await;
            self.told(told)?;
            self.call_when_due();
            self.close_when_all_are_in();
        }
        Ok(())
    }

    async fn until_here(&mut self) -> Result<(), String> {
        let here = |coach: &Coach| {
            let athletes = coach.mirror().map_or(&[][..], |mirror| &mirror.now().athletes);
            athletes.iter().filter(|view| view.doing != Doing::Away).count()
        };
        while here(&self.coach) < class::ATHLETES.len() {
            let told = self.coach.next().await;
            self.told(told)?;
        }
        Ok(())
    }

    fn told(&mut self, told: Option<CoachNews>) -> Result<(), String> {
        match told {
            None => return Err("The demo's coach was disconnected.".into()),
            Some(CoachNews::Ended(ended)) => return Err(ended.says),
            Some(CoachNews::Event(event)) => self.happened(&event.what)?,
            Some(CoachNews::Overview(_)) => self.overview()?,
            // Somebody has taken command from a page: they lead from now on, and this coach watches.
            Some(CoachNews::Refused(_, refusal)) => say(&refusal.says)?,
            Some(
                CoachNews::Welcome
                | CoachNews::Done(_)
                | CoachNews::Links(_)
                | CoachNews::BoardLink(_)
                | CoachNews::CoachLink(_)
                | CoachNews::ResultsTable(..)
                | CoachNews::Requests
                | CoachNews::InCommand(_)
                | CoachNews::Lost { .. },
            ) => {}
        }
        Ok(())
    }

    fn happened(&mut self, what: &Happening) -> Result<(), String> {
        match what {
            Happening::PhaseChanged { phase, .. } => {
                self.phase = *phase;
                self.tell_phase()?;
            }
            Happening::CallSent(sent) => match sent.sheet {
                // Each athlete gets these on their own; one line for all of them is enough.
                Some(entry) if self.sheet_told.insert(entry) => {
                    say(&format!(">> \"{}\" to each who is there now", sent.text.shown))?;
                }
                Some(_) => {}
                None => say(&format!(">> \"{}\" to {}", sent.text.shown, sent.athletes.len()))?,
            },
            Happening::FalseStart { .. }
            | Happening::PiecesSet { .. }
            | Happening::SettingsChanged { .. }
            | Happening::AthletesChanged { .. }
            | Happening::AthletesRemoved { .. }
            | Happening::CallsPrepared { .. }
            | Happening::Call { .. }
            | Happening::CallArmed { .. }
            | Happening::CallEnded { .. }
            | Happening::CallTakenBack { .. }
            | Happening::CallEffect(_)
            | Happening::Results { .. }
            | Happening::Ruled { .. }
            | Happening::SessionClosed
            | Happening::Calibrated { .. }
            | Happening::Damaged(_)
            | Happening::SecondDevice { .. }
            | Happening::LooksLike { .. }
            | Happening::ClockSet { .. }
            | Happening::Unknown => {}
        }
        Ok(())
    }

    fn tell_phase(&self) -> Result<(), String> {
        let Some(mirror) = self.coach.mirror() else { return Ok(()) };
        let Some(piece) = mirror.current() else { return Ok(()) };
        match self.phase {
            Phase::Gathering | Phase::Armed => {}
            Phase::Counting { .. } => say("Ten seconds to the go.")?,
            Phase::Rowing { repeat, .. } => {
                say(&format!("Go: repeat {} of {}.", repeat + 1, piece.spec.repeats.len()))?;
            }
            Phase::Resting { next_repeat, .. } => {
                say(&format!("Rest before repeat {}.", next_repeat + 1))?;
            }
            Phase::Closing { .. } => say("The first is in.")?,
            Phase::Stopped { .. } => say("The piece was stopped.")?,
            Phase::Finished { .. } => {
                say(&format!("\nResults of {}", repeats_text(&piece.spec.repeats)))?;
                let mut results = piece.results.clone();
                results.sort_by_key(|result| (result.place.is_none(), result.place));
                let (names, ranking) = (mirror.names(), mirror.now().settings.ranking);
                for result in &results {
                    say(&result_text(result, &names, ranking))?;
                }
            }
        }
        Ok(())
    }

    fn overview(&mut self) -> Result<(), String> {
        let (Some(overview), Some(mirror)) = (self.coach.overview(), self.coach.mirror()) else {
            return Ok(());
        };
        let names = mirror.names();
        for notice in &overview.notices {
            let same = |known: &Notice| {
                known.athlete == notice.athlete
                    && known.since_ms == notice.since_ms
                    && std::mem::discriminant(&known.about) == std::mem::discriminant(&notice.about)
            };
            if !self.notices.iter().any(same) {
                say(&format!("  ! {}", notice_text(notice, &names)))?;
            }
        }
        self.notices.clone_from(&overview.notices);
        let at = overview.standings.at_ms;
        let due = self.standings_at.is_none_or(|told| at.since(told) >= STANDINGS_EVERY);
        let ranked = overview.standings.lines.iter().any(|line| line.place.is_some());
        if due && ranked && matches!(self.phase, Phase::Rowing { .. } | Phase::Closing { .. }) {
            let ranking = mirror.now().settings.ranking;
            say(&format!("\n{}", standings_text(&overview.standings, &names, ranking)))?;
            self.standings_at = Some(at);
        }
        Ok(())
    }

    /// Says the right word at the moment planned for it.
    fn call_when_due(&mut self) {
        let Phase::Rowing { go_at_ms, .. } = self.phase else { return };
        let Some(now) = self.coach.clock().now() else { return };
        let due = |(after, _): &mut (Millis, class::Call)| go_at_ms + *after <= now;
        for (_, call) in self.calls.extract_if(.., due).collect::<Vec<_>>() {
            self.coach.order(Order::Call { call: call.spec() });
        }
    }

    /// Once the first is home, the others are waited for as long as they row.
    fn close_when_all_are_in(&mut self) {
        let Phase::Closing { .. } = self.phase else { return };
        let Some(overview) = self.coach.overview() else { return };
        let rowing = |doing| matches!(doing, Doing::Rowing | Doing::Here);
        if !self.closing && !overview.standings.lines.iter().any(|line| rowing(line.doing)) {
            self.closing = true;
            self.coach.order(Order::Close);
        }
    }
}
