//! Rowing machines over Bluetooth: each link is maintained, and comes back by itself when it is lost.
//!
//! One radio serves several machines, one call at a time. What a machine says before and after a lost link
//! goes into one recording: the counters here outlive the link.

use std::{sync::Arc, time::Duration};

use btleplug::{
    api::{
        Central, CentralEvent, Characteristic, Manager as _, Peripheral as _, ScanFilter,
        ValueNotification,
    },
    platform::{Adapter, Manager, Peripheral},
};
use futures_util::{Stream, StreamExt};
use thole_protocol::sample::Sample;
use tokio::{
    sync::{Mutex, mpsc},
    time::{Interval, MissedTickBehavior, interval, sleep, timeout},
};
use uuid::Uuid;

use super::{Field, Joiner, ROWER_DATA, ROWER_SERVICE, counters::Counters, read_part};
use crate::clock::SessionClock;

/// A machine that is on announces itself several times a second; after this the others get their turn.
const SEARCH: Duration = Duration::from_secs(5);
/// When no machine was named, others in the room have this long to show up as well.
const OTHERS: Duration = Duration::from_millis(1_500);
/// How often to look whether anything new has appeared.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// An attempt that has not finished by then has failed.
const TRY: Duration = Duration::from_secs(10);
/// After nothing has been heard for this long, the link is asked whether it still stands.
const ASK_EVERY: Duration = Duration::from_secs(2);
/// The first wait before coming back, and the longest.
const FIRST_WAIT: Duration = Duration::from_millis(200);
const LONGEST_WAIT: Duration = Duration::from_secs(5);
/// Reports waiting to be taken: more than a burst after a stall brings.
const WAITING_MAX: usize = 256;
/// How often a silent machine's counters are reported again.
const STANDING_EVERY: Duration = Duration::from_secs(1);

/// What a bridge reports.
#[derive(Clone, Debug, PartialEq)]
pub enum FromMachine {
    /// The machine is linked.
    Linked {
        /// What it calls itself.
        name: String,
    },
    /// The link is lost, or not there yet; it is retried automatically.
    Lost {
        /// Why, in a sentence.
        says: String,
    },
    /// What the machine's counters say now; numbered when recorded.
    Sample(Sample),
    /// Heart rate that the machine receives, beats a minute.
    Heart(i32),
    /// There is no point in trying again; the bridge is finished.
    Failed {
        /// Why, and what to do, in a sentence.
        says: String,
    },
}

/// This computer's Bluetooth.
#[derive(Clone)]
pub struct Radio {
    adapter: Adapter,
    /// Radios do not like to be asked for two links at once.
    turn: Arc<Mutex<()>>,
}

impl Radio {
    /// The first adapter.
    ///
    /// # Errors
    /// A sentence that says what is missing.
    pub async fn find() -> Result<Radio, String> {
        let unreached = |error: btleplug::Error| {
            format!(
                "Bluetooth cannot be reached ({error}); on Linux it needs the service bluetoothd."
            )
        };
        let manager = Manager::new().await.map_err(unreached)?;
        let adapter = manager.adapters().await.map_err(unreached)?.into_iter().next().ok_or(
            "This computer has no Bluetooth adapter, or it is off; switch it on and try again.",
        )?;
        Ok(Radio { adapter, turn: Arc::default() })
    }

    /// Keeps a link to the machine with this name or address; without one, to the only one in the room.
    #[must_use]
    pub fn bridge(&self, wanted: Option<String>) -> Bridge {
        let (tell, news) = mpsc::channel(WAITING_MAX);
        tokio::spawn(keep(self.clone(), wanted, tell));
        let mut standing = interval(STANDING_EVERY);
        standing.set_missed_tick_behavior(MissedTickBehavior::Delay);
        Bridge { news, standing, joiner: Joiner::default(), counters: Counters::default() }
    }

    async fn link(&self, known: Option<&Peripheral>, wanted: Option<&str>) -> Result<Linked, No> {
        let _turn = self.turn.lock().await;
        let machine = match known {
            Some(machine) => machine.clone(),
            None => self.search(wanted).await?,
        };
        match timeout(TRY, self.open(machine.clone())).await {
            Ok(Ok(linked)) => Ok(linked),
            Ok(Err(no)) => {
                hang_up(&machine).await;
                Err(no)
            }
            Err(_) => {
                hang_up(&machine).await;
                Err(No::yet("The machine does not answer."))
            }
        }
    }

    async fn search(&self, wanted: Option<&str>) -> Result<Peripheral, No> {
        let filter = ScanFilter { services: vec![long(ROWER_SERVICE)] };
        self.adapter.start_scan(filter).await.map_err(No::because)?;
        let found = timeout(SEARCH, async {
            loop {
                let there = self.rowers().await?;
                if let Some(wanted) = wanted {
                    if let Some(one) = there.iter().find(|one| one.is(wanted)) {
                        return Ok(one.machine.clone());
                    }
                } else if !there.is_empty() {
                    sleep(OTHERS).await;
                    return only(self.rowers().await?);
                }
                sleep(LOOK_EVERY).await;
            }
        })
        .await;
        // A search that cannot be stopped ends with the program.
        drop(self.adapter.stop_scan().await);
        found.unwrap_or_else(|_| Err(No::unseen(wanted)))
    }

    async fn rowers(&self) -> Result<Vec<Seen>, No> {
        let mut rowers = Vec::new();
        for machine in self.adapter.peripherals().await.map_err(No::because)? {
            let Some(shows) = machine.properties().await.map_err(No::because)? else { continue };
            if shows.services.contains(&long(ROWER_SERVICE)) {
                rowers.push(Seen { name: shows.local_name, machine });
            }
        }
        Ok(rowers)
    }

    async fn open(&self, machine: Peripheral) -> Result<Linked, No> {
        // Listen for the loss before there is anything to lose.
        let events = self.adapter.events().await.map_err(No::because)?;
        machine.connect().await.map_err(No::because)?;
        machine.discover_services().await.map_err(No::because)?;
        let is_data = |one: &Characteristic| {
            one.uuid == long(ROWER_DATA) && one.service_uuid == long(ROWER_SERVICE)
        };
        let Some(data) = machine.characteristics().into_iter().find(is_data) else {
            return Err(No::Never(
                "This machine does not speak the open Fitness Machine Service for rowers; name \
                 another one."
                    .into(),
            ));
        };
        let values = machine.notifications().await.map_err(No::because)?;
        machine.subscribe(&data).await.map_err(No::because)?;
        let name = machine.properties().await.ok().flatten().and_then(|shows| shows.local_name);
        Ok(Linked {
            name: name.unwrap_or_else(|| machine.address().to_string()),
            machine,
            events: Box::pin(events),
            values,
        })
    }
}

/// A machine that announces itself.
struct Seen {
    name: Option<String>,
    machine: Peripheral,
}

impl Seen {
    fn is(&self, wanted: &str) -> bool {
        let same = |own: &str| own.eq_ignore_ascii_case(wanted);
        self.name.as_deref().is_some_and(same)
            || same(&self.machine.address().to_string())
            || same(&self.machine.id().to_string())
    }
}

/// The only one; if there are several they are listed by name, so that one can be named.
fn only(seen: Vec<Seen>) -> Result<Peripheral, No> {
    let names: Vec<String> = (seen.iter())
        .map(|one| one.name.clone().unwrap_or_else(|| one.machine.address().to_string()))
        .collect();
    match seen.into_iter().next() {
        Some(one) if names.len() == 1 => Ok(one.machine),
        Some(_) => Err(No::Never(format!(
            "Several machines are in the room; say which with --device: {}.",
            names.join(", ")
        ))),
        None => Err(No::unseen(None)),
    }
}

/// Why there is no link.
enum No {
    /// Try again.
    Yet(String),
    /// Waiting would not help.
    Never(String),
}

impl No {
    fn yet(says: &str) -> No {
        No::Yet(says.into())
    }

    fn because(error: btleplug::Error) -> No {
        No::Yet(format!("The machine does not answer ({error})."))
    }

    fn unseen(wanted: Option<&str>) -> No {
        No::Yet(match wanted {
            Some(wanted) => format!("{wanted} cannot be found; wake it up with a pull."),
            None => "No rowing machine can be found; wake one up with a pull.".into(),
        })
    }
}

type Values = std::pin::Pin<Box<dyn Stream<Item = ValueNotification> + Send>>;
type Events = std::pin::Pin<Box<dyn Stream<Item = CentralEvent> + Send>>;

/// A link that stands.
struct Linked {
    name: String,
    machine: Peripheral,
    events: Events,
    values: Values,
}

/// What the task of a link reports.
enum RadioNews {
    Linked(String),
    Lost(String),
    Value(Vec<u8>),
    Failed(String),
}

/// Links, listens, comes back; ends when nobody is listening any more.
async fn keep(radio: Radio, wanted: Option<String>, tell: mpsc::Sender<RadioNews>) {
    let mut known: Option<Peripheral> = None;
    let mut failures = 0;
    loop {
        let says = match radio.link(known.as_ref(), wanted.as_deref()).await {
            Ok(linked) => {
                failures = 0;
                known = Some(linked.machine.clone());
                if tell.send(RadioNews::Linked(linked.name.clone())).await.is_err() {
                    return hang_up(&linked.machine).await;
                }
                let machine = linked.machine.clone();
                if listen(linked, &tell).await.is_err() {
                    return hang_up(&machine).await;
                }
                "The link to the machine is lost.".to_owned()
            }
            Err(No::Never(says)) if known.is_none() => {
                // If nobody is listening any more, that is as good an end as being heard.
                drop(tell.send(RadioNews::Failed(says)).await);
                return;
            }
            Err(No::Never(says) | No::Yet(says)) => {
                failures += 1;
                says
            }
        };
        if tell.send(RadioNews::Lost(says)).await.is_err() {
            return;
        }
        sleep(wait(failures)).await;
    }
}

/// How long to wait after this many failures in a row: 0.2 s, 0.4 s … 5 s.
fn wait(failures: u32) -> Duration {
    FIRST_WAIT.saturating_mul(2_u32.saturating_pow(failures)).min(LONGEST_WAIT)
}

/// Passes on what the machine says until the link is lost.
///
/// # Errors
/// Nobody is listening any more.
async fn listen(mut linked: Linked, tell: &mpsc::Sender<RadioNews>) -> Result<(), ()> {
    let id = linked.machine.id();
    loop {
        tokio::select! {
            value = linked.values.next() => match value {
                Some(value) if value.uuid == long(ROWER_DATA) => {
                    tell.send(RadioNews::Value(value.value)).await.map_err(|_| ())?;
                }
                Some(_) => {}
                None => return Ok(()),
            },
            event = linked.events.next() => match event {
                Some(CentralEvent::DeviceDisconnected(lost)) if lost == id => return Ok(()),
                Some(_) => {}
                None => return Ok(()),
            },
            () = tell.closed() => return Err(()),
            () = sleep(ASK_EVERY) => {
                if !linked.machine.is_connected().await.unwrap_or(false) {
                    return Ok(());
                }
            }
        }
    }
}

async fn hang_up(machine: &Peripheral) {
    // It may be gone already, and the next attempt begins with a new link anyway.
    drop(timeout(TRY, machine.disconnect()).await);
}

/// The full form of a short number of the Bluetooth SIG.
fn long(number: u16) -> Uuid {
    Uuid::from_u128(0x0000_0000_0000_1000_8000_0080_5f9b_34fb | u128::from(number) << 96)
}

/// A machine's link, and its counters.
pub struct Bridge {
    news: mpsc::Receiver<RadioNews>,
    standing: Interval,
    joiner: Joiner,
    counters: Counters,
}

impl Bridge {
    /// Waits for what the machine says, stamped with the session's clock; `None` after `Failed`. Nothing is
    /// lost when the wait is given up.
    pub async fn next(&mut self, clock: &SessionClock) -> Option<Vec<FromMachine>> {
        loop {
            let heard = tokio::select! {
                news = self.news.recv() => self.heard(news?, clock),
                _ = self.standing.tick() => {
                    let shown = clock.now().and_then(|now| self.counters.standing(now));
                    shown.map(FromMachine::Sample).into_iter().collect()
                }
            };
            if !heard.is_empty() {
                return Some(heard);
            }
        }
    }

    fn heard(&mut self, news: RadioNews, clock: &SessionClock) -> Vec<FromMachine> {
        match news {
            RadioNews::Linked(name) => vec![FromMachine::Linked { name }],
            RadioNews::Lost(says) => {
                self.joiner = Joiner::default();
                self.counters.lost();
                vec![FromMachine::Lost { says }]
            }
            RadioNews::Failed(says) => vec![FromMachine::Failed { says }],
            RadioNews::Value(value) => self.value(&value, clock),
        }
    }

    fn value(&mut self, value: &[u8], clock: &SessionClock) -> Vec<FromMachine> {
        let Some(now) = clock.now() else { return Vec::new() };
        let Some(record) = read_part(value).ok().and_then(|part| self.joiner.take(part)) else {
            return Vec::new();
        };
        let heart = record.get(&Field::HeartBpm).filter(|bpm| **bpm > 0);
        let sample = self.counters.take(&record, now).map(FromMachine::Sample);
        sample.into_iter().chain(heart.map(|bpm| FromMachine::Heart(*bpm))).collect()
    }
}
