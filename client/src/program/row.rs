//! `thole row`: joins a session as an athlete and rows in it.

use std::{path::PathBuf, time::Duration};

use clap::{Args, ValueEnum};
use serde_json::json;
use thole::{
    address::PlaceLink,
    athlete::{Athlete, AthleteConfig, AthleteNews},
    cautions::{CAUTIONS, HEART_RATE},
    course::Source,
    enter::{self, NotIn},
    own_aim::OwnAim,
    recording::{BridgeLine, Recording},
    rower::{Build, Machine, Pause},
    seat::{Drop, Seat},
    thin::Thin,
    wording,
};
use thole_protocol::{
    client_msg::{Join, Role},
    ids::JoinCode,
    sample::Reading,
    units::Millis,
};
use tokio::sync::mpsc;

use super::{Common, Failed, any_seed, lines_of_stdin, usage};
use today::TodayWord;

#[cfg(feature = "bluetooth")]
mod bridged;
mod telling;
mod today;

/// How often a server that does not answer is tried before the program gives up on joining.
const JOINS_TRIED: u32 = 8;
/// How long it waits in between, in real time.
const JOIN_AGAIN: Duration = Duration::from_millis(1_500);
/// Pace of an invented athlete without a target.
const USUAL_PACE: &str = "2:14";

#[derive(Args)]
pub(crate) struct RowArgs {
    /// Join code of the session; needs --name
    #[arg(long, requires = "name", conflicts_with_all = ["link", "secret"])]
    code: Option<String>,
    /// Your name in the session
    #[arg(long)]
    name: Option<String>,
    /// Your personal link, from your coach or from joining earlier
    #[arg(long, conflicts_with = "secret")]
    link: Option<String>,
    /// Only your secret; needs --server
    #[arg(long)]
    secret: Option<String>,
    /// Where the strokes come from: a recorded file, - for JSON lines on standard input, ftms for a machine
    /// over Bluetooth, or simulated
    #[arg(long, default_value = "simulated", value_name = "FILE|-|ftms|simulated")]
    from: String,
    #[command(flatten)]
    over_bluetooth: OverBluetooth,
    /// Which athlete of the recorded file
    #[arg(long, value_name = "ID")]
    athlete: Option<String>,
    /// Your target: a finish (6:31.5), a pace (1:52.4/500m) or a distance (4120m)
    #[arg(long)]
    target: Option<String>,
    /// Your plan: even, fast_start, negative_split, or legs (500m@1:55+1200m@2:01)
    #[arg(long)]
    plan: Option<String>,
    /// How you row today; nobody is asked why
    #[arg(long, value_enum)]
    today: Option<TodayWord>,
    /// Says that you have read and accept the cautions; without it they are shown, and nobody joins
    #[arg(long)]
    cautions_read: bool,
    /// Passes your heart rate on to the coach
    #[arg(long)]
    share_heart_rate: bool,
    /// Takes the seat even if another device is connected in it; that device is then sent away
    #[arg(long)]
    take_seat: bool,
    /// Leaves after this many pieces
    #[arg(long, value_name = "N", conflicts_with = "stay")]
    pieces: Option<u32>,
    /// Stays until the session closes
    #[arg(long)]
    stay: bool,
    /// Folder in which to save what was rowed if the server has lost it
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    save_to: PathBuf,
    /// REHEARSAL: how many times faster than real time the server runs
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    speed: u32,
    #[command(flatten)]
    invented: Invented,
}

/// The machines of `--from ftms`.
#[derive(Args)]
struct OverBluetooth {
    /// Bluetooth: name or address of the machine, if there are several
    #[arg(long, value_name = "NAME|ADDRESS", help_heading = "Bluetooth")]
    device: Option<String>,
    /// Bluetooth: a machine and the personal link of whoever rows on it; repeat for each further one
    #[arg(long, value_name = "NAME|ADDRESS=LINK", help_heading = "Bluetooth",
        conflicts_with_all = ["device", "code", "name", "link", "secret", "target", "plan", "share_heart_rate", "today"])]
    pair: Vec<String>,
}

/// What `--from` says for a machine over Bluetooth.
const OVER_BLUETOOTH: &str = "ftms";

/// The invented athlete of `--from simulated`.
#[derive(Args)]
struct Invented {
    /// Simulated: pace per 500 m (1:58.5), whatever the target
    #[arg(long, help_heading = "Simulated")]
    pace: Option<String>,
    /// Simulated: the same seed rows the same strokes
    #[arg(long, help_heading = "Simulated")]
    seed: Option<u64>,
    /// Simulated: how the machine reports
    #[arg(long, value_enum, default_value_t = Reports::Stroke, help_heading = "Simulated")]
    machine: Reports,
    /// Simulated: strokes a minute, 18 to 40
    #[arg(long, default_value_t = 26.0, help_heading = "Simulated")]
    rate: f64,
    /// Simulated: per cent of the speed that is lost by the end
    #[arg(long, default_value_t = 0.0, value_name = "PERCENT", help_heading = "Simulated")]
    fade: f64,
    /// Simulated: stops for good at this share of the work (0.6)
    #[arg(long, value_name = "SHARE", help_heading = "Simulated")]
    stop_at: Option<f64>,
    /// Simulated: stops for a while, SHARE:LENGTH (0.4:20s)
    #[arg(long, value_name = "SHARE:LENGTH", help_heading = "Simulated")]
    pause: Option<String>,
    /// Simulated: the machine is reset at this share of the work
    #[arg(long, value_name = "SHARE", help_heading = "Simulated")]
    reset_at: Option<f64>,
    /// Loses the connection, TIME:LENGTH after the go (1min30s:8s); may be given several times
    #[arg(long, value_name = "TIME:LENGTH", help_heading = "Simulated")]
    drop: Vec<String>,
}

#[derive(Clone, Copy, ValueEnum)]
enum Reports {
    /// Once a stroke
    Stroke,
    /// Once a second, in whole metres
    Second,
}

pub(crate) async fn run(common: &Common, args: RowArgs) -> Result<(), Failed> {
    if args.today == Some(TodayWord::NotToday) {
        return today::sit_out(common, args).await;
    }
    if args.from == OVER_BLUETOOTH {
        return over_bluetooth(common, args).await;
    }
    if args.over_bluetooth.device.is_some() || !args.over_bluetooth.pair.is_empty() {
        return Err(usage("--device and --pair name machines over Bluetooth: add --from ftms."));
    }
    // Everything that can be wrong about the arguments is found before anybody is bothered.
    let source = args.source().map_err(usage)?;
    let drops = args.invented.drops().map_err(usage)?;
    let aim = args.aim().map_err(usage)?;
    caution(common, &args)?;
    let link = args.place(common).await?;
    let config = AthleteConfig {
        dial: common.dial(link.address.clone())?,
        secret: link.secret.clone(),
        take_seat: args.take_seat,
        speed: args.speed,
        cautions_read: args.cautions_read,
        machine: Some(args.machine_words()),
        share_heart_rate: args.share_heart_rate,
        aim,
        today: args.today.map(TodayWord::meant),
        seed: any_seed()?,
    };
    let stays = telling::Stays::of(args.pieces, args.stay);
    let telling = telling::Telling::new(common, stays, args.speed, args.save_to);
    match source {
        Some(source) => rowed(telling, Seat::take(config, source, drops)).await,
        None => piped(telling, Athlete::open(config)).await,
    }
}

#[cfg(feature = "bluetooth")]
async fn over_bluetooth(common: &Common, args: RowArgs) -> Result<(), Failed> {
    bridged::run(common, args).await
}

#[cfg(not(feature = "bluetooth"))]
async fn over_bluetooth(_common: &Common, _args: RowArgs) -> Result<(), Failed> {
    Err(usage(
        "This thole was built without Bluetooth. Build it with: \
         cargo build --release -p thole --features bluetooth \
         (on Debian after: apt-get install libdbus-1-dev pkg-config).",
    ))
}

/// Rows a course, and reports.
async fn rowed(mut telling: telling::Telling<'_>, mut seat: Seat) -> Result<(), Failed> {
    loop {
        let wait = telling.next_count(seat.athlete().clock());
        let told = tokio::select! {
            told = seat.next() => told,
            () = tokio::time::sleep(wait) => {
                telling.count(seat.athlete().clock());
                continue;
            }
        };
        let Some(told) = told else { return Ok(()) };
        if let AthleteNews::Ended(ended) = &told {
            telling.save(ended, seat.athlete());
            return Ok(telling.ended(ended)?);
        }
        telling.told(&told, seat.athlete().pending());
        telling.save_what_is_lost(&told, seat.athlete());
        if telling.may_leave() && seat.is_done() {
            return Ok(());
        }
    }
}

/// Passes on what a machine's bridge says.
async fn piped(mut telling: telling::Telling<'_>, mut athlete: Athlete) -> Result<(), Failed> {
    let mut lines: Option<mpsc::Receiver<Result<String, String>>> = None;
    let mut read = 0_u64;
    let mut over = false;
    let mut thin = Thin::default();
    loop {
        let wait = telling.next_count(athlete.clock());
        let line = async {
            match &mut lines {
                Some(lines) => lines.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            told = athlete.next() => {
                let Some(told) = told else { return Ok(()) };
                if let AthleteNews::Ended(ended) = &told {
                    telling.save(ended, &athlete);
                    return Ok(telling.ended(ended)?);
                }
                if matches!(told, AthleteNews::Welcome(..)) && lines.is_none() && !over {
                    // Now there is a clock to stamp with.
                    lines = Some(lines_of_stdin());
                }
                telling.told(&told, athlete.pending());
                telling.save_what_is_lost(&told, &athlete);
            }
            line = line => match line {
                Some(line) => {
                    read += 1;
                    pipe(&mut athlete, &line?, read, &mut thin);
                }
                None => (lines, over) = (None, true),
            },
            () = tokio::time::sleep(wait) => telling.count(athlete.clock()),
        }
        if athlete.pending() == 0 && (telling.may_leave() || over && !telling.stays()) {
            return Ok(());
        }
    }
}

fn pipe(athlete: &mut Athlete, line: &str, nth: u64, thin: &mut Thin) {
    let (Ok(line), Some(now)) = (BridgeLine::read(line), athlete.clock().now()) else {
        if let Err(says) = BridgeLine::read(line) {
            eprintln!("Line {nth}: {says}");
        }
        return;
    };
    let heard_ms = i64::try_from(now.0).unwrap_or(i64::MAX);
    if thin.lets(heard_ms) {
        athlete.record(line.sample(heard_ms));
    }
    if let Some(heart_bpm) = line.heart_bpm {
        athlete.record_heart(Reading { heard_ms, heart_bpm });
    }
}

/// Shows what has to be read beforehand. Whoever has not accepted it takes no place: everybody would wait for them in
/// vain.
fn caution(common: &Common, args: &RowArgs) -> Result<(), Failed> {
    if args.share_heart_rate {
        common.tell(json!({"event": "heart_rate", "says": HEART_RATE}), || Some(HEART_RATE.into()));
    }
    if args.cautions_read {
        return Ok(());
    }
    common.tell(json!({"event": "cautions", "cautions": CAUTIONS}), || {
        let mut text = String::from("Before you row:\n");
        for caution in CAUTIONS {
            text.push_str(&format!("  - {caution}\n"));
        }
        Some(text)
    });
    Err(usage(
        "You are not in the session yet. When you have read this and accept it, give the same command again with --cautions-read.",
    ))
}

impl RowArgs {
    /// The athlete's place: their link, or a new one by code and name.
    async fn place(&self, common: &Common) -> Result<PlaceLink, Failed> {
        if let Some(link) = &self.link {
            return common.link(link, Role::Athlete);
        }
        let address = common.address()?;
        if let Some(secret) = &self.secret {
            let secret = secret.clone();
            return Ok(PlaceLink { address, role: Role::Athlete, code: None, secret });
        }
        let (Some(code), Some(name)) = (&self.code, &self.name) else {
            return Err(usage(
                "Say where you row: --code CODE --name NAME, or --link with your personal link.",
            ));
        };
        let code = JoinCode::read(code).ok_or_else(|| {
            usage(format!(
                "\"{code}\" cannot be a join code; those sound like KAMU RETA: ask for it again."
            ))
        })?;
        let dial = common.dial(address.clone())?;
        // One id for all attempts: a seat whose answer was lost is not taken twice.
        let id = enter::join_id();
        let mut tried = 0;
        let joined = loop {
            let join = Join {
                code: code.as_str().to_owned(),
                name: name.clone(),
                join: Some(id.clone()),
                from: Some("thole row".to_owned()),
                key: None,
            };
            let waits = |says: &str| {
                common.tell(json!({"event": "waiting", "says": says}), || Some(says.to_owned()));
            };
            match enter::join(&dial, join, waits).await {
                Ok(joined) => break joined,
                Err(NotIn::NoServer(says)) if tried < JOINS_TRIED => {
                    tried += 1;
                    eprintln!("{says} Trying again.");
                    tokio::time::sleep(JOIN_AGAIN).await;
                }
                Err(not_in) => return Err(not_in.says().into()),
            }
        };
        let link =
            PlaceLink { address, role: Role::Athlete, code: Some(code), secret: joined.secret };
        let line = json!({
            "event": "joined", "athlete": joined.athlete, "name": joined.name,
            "link": link.to_string(),
        });
        common.tell(line, || {
            Some(format!("You are in as {}. Your way back: thole row --link '{link}'", joined.name))
        });
        Ok(link)
    }

    /// Where the strokes come from; `None` for standard input.
    fn source(&self) -> Result<Option<Source>, String> {
        match self.from.as_str() {
            "-" => Ok(None),
            "simulated" => self.invented.source().map(Some),
            file => {
                let recording = Recording::load(&PathBuf::from(file), self.athlete.as_deref())?;
                Ok(Some(Source::Recorded(Box::new(recording))))
            }
        }
    }

    fn aim(&self) -> Result<OwnAim, String> {
        let target = self.target.as_deref().map(wording::target).transpose()?;
        let plan = self.plan.as_deref().map(wording::plan).transpose()?;
        Ok(OwnAim { target, plan })
    }

    fn machine_words(&self) -> String {
        match self.from.as_str() {
            "-" => "a bridge".into(),
            "simulated" => "simulated".into(),
            _ => "a recording".into(),
        }
    }
}

impl Invented {
    fn source(&self) -> Result<Source, String> {
        let pace = wording::duration(self.pace.as_deref().unwrap_or(USUAL_PACE))?;
        let seed = self.seed.map_or_else(any_seed, Ok)?;
        if !(18.0..=40.0).contains(&self.rate) {
            return Err("--rate is strokes a minute, 18 to 40.".into());
        }
        let pause = self.pause.as_deref().map(pause).transpose()?;
        let build = Build {
            rate_spm: self.rate,
            fades_by: self.fade / 100.0,
            machine: match self.machine {
                Reports::Stroke => Machine::Stroke,
                Reports::Second => Machine::Second,
            },
            heart: true,
            stops_at: self.stop_at,
            pause,
            reset_at: self.reset_at,
            ..Build::steady(seed, pace)
        };
        Ok(Source::Simulated { build: Box::new(build), own_pace: self.pace.is_some() })
    }

    fn drops(&self) -> Result<Vec<Drop>, String> {
        let read = |typed: &String| {
            // The time itself can contain a colon; the last one separates.
            let (after, lasts) = typed.rsplit_once(':')?;
            let (after_go, lasts) =
                (wording::duration(after).ok()?, wording::duration(lasts).ok()?);
            Some(Drop { after_go, lasts })
        };
        self.drop
            .iter()
            .map(|typed| {
                read(typed)
                    .ok_or_else(|| format!("\"{typed}\" is not a drop; type one like 1min30s:8s."))
            })
            .collect()
    }
}

fn pause(typed: &str) -> Result<Pause, String> {
    let read = || {
        let (share, lasts) = typed.split_once(':')?;
        let Millis(lasts_ms) = wording::duration(lasts).ok()?;
        Some(Pause { at_share: share.parse().ok()?, lasts_ms })
    };
    read().ok_or_else(|| format!("\"{typed}\" is not a pause; type one like 0.4:20s."))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drops_and_pauses_are_read_or_answered_by_what_to_type() {
        let read = |typed: &str| pause(typed).map(|p| (p.at_share, p.lasts_ms));
        assert_eq!(read("0.4:20s"), Ok((0.4, 20_000)));
        assert!(read("soon").unwrap_err().contains("0.4:20s"));
    }
}
