//! `thole row --from ftms`: rowing machines over Bluetooth, each passed on for the athlete who rows on it.

use std::path::PathBuf;

use futures_util::future::join_all;
use serde_json::json;
use thole::{
    address::PlaceLink,
    athlete::{Athlete, AthleteConfig, AthleteNews},
    ftms::bridge::{Bridge, FromMachine, Radio},
    thin::Thin,
};
use thole_protocol::{client_msg::Role, sample::Reading, units::Millis};

use super::{
    super::{Common, Failed, any_seed, usage},
    RowArgs, caution,
    telling::{Stays, Telling},
    today::TodayWord,
};

/// The heart rate that a machine receives is passed on no more often than this.
const HEART_EVERY: Millis = Millis(3_000);

/// Who rows on which machine.
#[derive(Debug)]
struct Pair {
    /// Name or address; `None` for the only machine in the room.
    machine: Option<String>,
    link: PlaceLink,
}

pub(crate) async fn run(common: &Common, args: RowArgs) -> Result<(), Failed> {
    if args.speed != 1 {
        return Err(usage("A real machine rows as fast as real time: leave --speed out."));
    }
    let aim = args.aim().map_err(usage)?;
    let pairs = pairs(common, &args)?;
    caution(common, &args)?;
    let radio = Radio::find().await?;
    let several = pairs.len() > 1;
    let pairs = match pairs {
        pairs if pairs.is_empty() => {
            let machine = args.over_bluetooth.device.clone();
            vec![Pair { machine, link: args.place(common).await? }]
        }
        pairs => pairs,
    };
    let mut seats = Vec::new();
    for Pair { machine, link } in pairs {
        let config = AthleteConfig {
            dial: common.dial(link.address.clone())?,
            secret: link.secret,
            take_seat: args.take_seat,
            speed: 1,
            cautions_read: args.cautions_read,
            machine: None,
            share_heart_rate: args.share_heart_rate,
            aim: aim.clone(),
            today: args.today.map(TodayWord::meant),
            seed: any_seed()?,
        };
        let label = machine.clone().filter(|_| several);
        let stays = Stays::of(args.pieces, args.stay);
        let (radio, common) = (radio.clone(), common.labelled(label));
        let save_to = args.save_to.clone();
        seats.push(async move {
            let rowed = row(&common, stays, save_to, Athlete::open(config), radio, machine).await;
            // One athlete's trouble is reported at once and does not end the others' piece.
            if let (Err(Failed::Refused(says)), true) = (&rowed, several) {
                common.tell(json!({"event": "over", "says": says}), || Some(says.clone()));
            }
            rowed
        });
    }
    join_all(seats).await.into_iter().collect()
}

/// Who rows where, from `--pair`.
fn pairs(common: &Common, args: &RowArgs) -> Result<Vec<Pair>, Failed> {
    let mut pairs: Vec<Pair> = Vec::new();
    for typed in &args.over_bluetooth.pair {
        // The link's own fragment has no equals sign before it; a machine's name must not have one.
        let (machine, link) = typed.split_once('=').ok_or_else(|| {
            usage("--pair is a machine and a personal link: --pair 'Row 7=LINK'.")
        })?;
        let link = common.link(link, Role::Athlete)?;
        let twice = |pair: &&Pair| {
            pair.machine.as_deref() == Some(machine) || pair.link.secret == link.secret
        };
        if pairs.iter().find(twice).is_some() {
            return Err(usage(format!(
                "{machine} or its athlete is paired twice; one machine is for one athlete."
            )));
        }
        pairs.push(Pair { machine: Some(machine.to_owned()), link });
    }
    Ok(pairs)
}

/// Passes on what one machine says, until its athlete has nothing more to row.
async fn row(
    common: &Common,
    stays: Stays,
    save_to: PathBuf,
    mut athlete: Athlete,
    radio: Radio,
    machine: Option<String>,
) -> Result<(), Failed> {
    let mut telling = Telling::new(common, stays, 1, save_to);
    let mut bridge: Option<Bridge> = None;
    let mut passing = Passing::default();
    loop {
        let wait = telling.next_count(athlete.clock());
        let clock = athlete.clock().clone();
        let heard = async {
            match &mut bridge {
                Some(bridge) => bridge.next(&clock).await,
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
                if matches!(told, AthleteNews::Welcome(..)) && bridge.is_none() {
                    // Now there is a clock to stamp with.
                    bridge = Some(radio.bridge(machine.clone()));
                }
                telling.told(&told, athlete.pending());
                telling.save_what_is_lost(&told, &athlete);
            }
            heard = heard => {
                for heard in heard.unwrap_or_default() {
                    passing.pass(common, &mut athlete, heard)?;
                }
            }
            () = tokio::time::sleep(wait) => telling.count(&clock),
        }
        if athlete.pending() == 0 && telling.may_leave() {
            return Ok(());
        }
    }
}

/// How far the forwarding has got.
#[derive(Default)]
struct Passing {
    /// The loss has been reported; that is done once, not at every attempt.
    lost_told: bool,
    heart_ms: Option<i64>,
    newest_ms: i64,
    thin: Thin,
}

impl Passing {
    fn pass(
        &mut self,
        common: &Common,
        athlete: &mut Athlete,
        heard: FromMachine,
    ) -> Result<(), Failed> {
        match heard {
            FromMachine::Linked { name } => {
                self.lost_told = false;
                let line = json!({"event": "linked", "name": name});
                common.tell(line, || Some(format!("{name} is linked.")));
                athlete.link_machine(Some(name));
            }
            FromMachine::Lost { says } => {
                if !std::mem::replace(&mut self.lost_told, true) {
                    common.tell(json!({"event": "machine_lost", "says": says}), || {
                        Some(format!("{says} Trying again."))
                    });
                }
                athlete.link_machine(None);
            }
            FromMachine::Sample(sample) => {
                self.newest_ms = sample.heard_ms;
                if self.thin.lets(sample.heard_ms) {
                    athlete.record(sample);
                }
            }
            FromMachine::Heart(heart_bpm) => {
                let due = |before: i64| self.newest_ms - before >= i64::from(HEART_EVERY.0);
                if self.heart_ms.is_none_or(due) {
                    self.heart_ms = Some(self.newest_ms);
                    let (heard_ms, heart_bpm) = (self.newest_ms, i64::from(heart_bpm));
                    athlete.record_heart(Reading { heard_ms, heart_bpm });
                }
            }
            FromMachine::Failed { says } => return Err(says.into()),
        }
        Ok(())
    }
}
