//! One random life of a session: who rows, what, how well, and what the coach does.

use thole::{
    chance::Chance,
    rower::{Build, Machine, Pause, Profile},
};
use thole_protocol::{
    ids::{AthleteId, CallId},
    order::Order,
    spec::{
        Aim, AthleteSpec, Audience, CallSpec, CallText, Extent, PieceSpec, Plan, Point, Repeat,
        RepeatStart, RosterEntry, SheetCall, Span, StartClock, Target,
    },
    units::{Bpm, Decimetres, Millis},
};
use uuid::Uuid;

/// The world is healthy for this long before a piece is closed.
pub(super) const QUIET_MS: u64 = 60_000;

/// A life.
#[derive(Debug)]
pub(super) struct Life {
    pub(super) seed: u64,
    pub(super) athletes: Vec<Person>,
    pub(super) pieces: Vec<PieceSpec>,
    pub(super) orders: Vec<(When, Order)>,
    /// The coach neither closes nor stops a piece that ends by itself.
    pub(super) leaves_be: bool,
    /// Somebody in the roster who never comes: taken off it in the end, if not before.
    pub(super) absent: Option<(AthleteId, RosterEntry)>,
    closes_after: Vec<u64>,
}

/// When the coach gives an order.
#[derive(Clone, Copy, Debug)]
pub(super) enum When {
    /// This long after the previous order was answered.
    After(u64),
    /// This long after the go, but after the previous order.
    AfterGo(u64),
}

/// Somebody who rows.
#[derive(Clone, Debug)]
pub(super) struct Person {
    pub(super) athlete: AthleteId,
    pub(super) entry: RosterEntry,
    pub(super) build: Build,
    /// Not in the roster: joins by the code this long after the first go.
    pub(super) joins_after_go: Option<u64>,
    /// Says so on stopping.
    pub(super) says_stop: bool,
    /// Every this many samples the machine reports nonsense.
    pub(super) nonsense_every: Option<u32>,
    pub(super) seed: u64,
}

impl Life {
    pub(super) fn of(seed: u64) -> Life {
        let mut chance = Chance::seeded(seed);
        let mut pieces: Vec<PieceSpec> =
            (0..=chance.below(2)).map(|_| piece(&mut chance)).collect();
        let count = 2 + chance.below(7);
        let mut athletes: Vec<Person> =
            (0..count).map(|no| person(&mut chance, no, &pieces)).collect();
        let slowest = athletes.iter().map(|a| u64::from(a.build.per_500m_ms.0)).max().unwrap_or(0);
        let closes_after: Vec<u64> = pieces.iter().map(|piece| lasts(piece, slowest)).collect();
        let mut orders = Vec::new();
        for (no, closes) in closes_after.iter().enumerate() {
            coach_a_piece(&mut chance, no, *closes, &athletes, &mut orders);
        }
        if orders.iter().any(|(_, order)| *order == Order::FalseStart) {
            // How many strokes the first attempt had depends on when its end was heard, and with it the
            // counters of the machines at the second go. A clock of one's own reads those, and nonsense whose
            // neighbours are still under way can look like a finish: then no false start is called.
            athletes.iter_mut().for_each(|person| person.nonsense_every = None);
            pieces.iter_mut().for_each(|piece| piece.clock = StartClock::CommonGo);
        }
        orders.insert(0, (When::After(2_000), Order::SetPieces { pieces: pieces.clone() }));
        let absent = absent(seed, &athletes, &mut orders);
        let leaves_be = one_in(&mut Chance::seeded(seed ^ 0x105e), 2);
        Life { seed, athletes, pieces, orders, leaves_be, absent, closes_after }
    }

    /// The latest time at which the piece is closed, from its go.
    pub(super) fn closes_after(&self, piece: usize) -> u64 {
        self.closes_after.get(piece).copied().unwrap_or(0)
    }
}

/// Somebody who never comes, and the orders that take them off the roster: one at any time, which may be refused, and
/// one at the end; and one to take off somebody who has rowed. Drawn from random numbers of its own, which leaves the
/// rest of a life alone.
fn absent(
    seed: u64,
    athletes: &[Person],
    orders: &mut Vec<(When, Order)>,
) -> Option<(AthleteId, RosterEntry)> {
    let mut chance = Chance::seeded(seed ^ 0xab5e);
    let present = athletes.first().filter(|_| one_in(&mut chance, 2))?;
    let athlete = AthleteId(Uuid::from_u128(0xab5e));
    let spec = AthleteSpec { name: "Rower away".to_owned(), ..present.entry.spec.clone() };
    let entry = RosterEntry { spec, aims: present.entry.aims.clone() };
    let at = 1 + usize::try_from(chance.below(orders.len() as u64)).unwrap_or(0);
    orders.insert(at, (When::After(400), Order::RemoveAthlete { athlete }));
    for athlete in [athlete, present.athlete] {
        orders.push((When::After(300), Order::RemoveAthlete { athlete }));
    }
    Some((athlete, entry))
}

fn one_in(chance: &mut Chance, n: u64) -> bool {
    chance.below(n) == 0
}

fn between(chance: &mut Chance, from: u32, to: u32) -> u32 {
    from + u32::try_from(chance.below(u64::from(to - from))).unwrap_or(0)
}

fn piece(chance: &mut Chance) -> PieceSpec {
    let by_time = one_in(chance, 3);
    let times = if one_in(chance, 2) { 1 } else { 2 + chance.below(2) };
    let rest_ms = Millis(if times > 1 { between(chance, 12_000, 40_000) } else { 0 });
    let repeats = (0..times).map(|_| {
        let work = if by_time {
            Extent::Time { time_ms: Millis(between(chance, 40, 100) * 1_000) }
        } else {
            Extent::Distance { distance_dm: Decimetres(between(chance, 15, 50) * 100) }
        };
        Repeat { work, rest_ms }
    });
    let mut piece = PieceSpec::of(repeats.collect());
    if one_in(chance, 3) {
        piece.clock = StartClock::OwnFirstStroke;
    }
    if times > 1 && one_in(chance, 2) {
        piece.repeat_start = RepeatStart::OwnRest;
    }
    piece.count_ms = Millis(between(chance, 5, 12) * 1_000);
    piece.call_sheet = (0..chance.below(4)).map(|no| sheet_call(chance, no)).collect();
    piece
}

fn sheet_call(chance: &mut Chance, no: u64) -> SheetCall {
    let at = match chance.below(3) {
        0 => Point::DistanceDone { distance_dm: Decimetres(between(chance, 300, 1_500)) },
        1 => Point::Elapsed { time_ms: Millis(between(chance, 5_000, 40_000)) },
        _ => Point::Stroke { number: between(chance, 2, 15) },
    };
    let text = CallText { shown: format!("sheet {no}"), spoken: String::new() };
    let audience = if one_in(chance, 3) { Audience::Behind } else { Audience::All };
    SheetCall { at, text, audience, span: span(chance) }
}

fn span(chance: &mut Chance) -> Span {
    match chance.below(3) {
        0 => Span::Strokes { strokes: 4 },
        1 => Span::Next,
        _ => Span::Time { time_ms: Millis(7_000) },
    }
}

fn person(chance: &mut Chance, no: u64, pieces: &[PieceSpec]) -> Person {
    let per_500m_ms = Millis(between(chance, 92_000, 160_000));
    let mut build = Build::steady(chance.bits(), per_500m_ms);
    build.rate_spm = 20.0 + 14.0 * chance.unit();
    build.uneven_by = 0.03 * chance.unit();
    build.profile = match chance.below(3) {
        0 => Profile::Even,
        1 => Profile::FastStart,
        _ => Profile::NegativeSplit,
    };
    if one_in(chance, 3) {
        build.machine = Machine::Second;
    }
    if one_in(chance, 5) {
        build.stops_at = Some(0.2 + 0.6 * chance.unit());
    }
    if one_in(chance, 5) {
        let at_share = 0.1 + 0.7 * chance.unit();
        build.pause = Some(Pause { at_share, lasts_ms: between(chance, 3_000, 20_000) });
    }
    if one_in(chance, 4) {
        build.reset_at = Some(0.1 + 0.8 * chance.unit());
    }
    let target = |piece: &PieceSpec| {
        let aimed = 0.97 + 0.06 * chance.unit();
        let pace = thole_protocol::units::millis(f64::from(per_500m_ms.0) * aimed);
        let by_distance =
            matches!(piece.repeats.first().map(|r| r.work), Some(Extent::Distance { .. }));
        let plan = if by_distance && one_in(chance, 2) { Plan::FastStart } else { Plan::Even };
        let target = (!one_in(chance, 5)).then_some(Target::Pace { per_500m_ms: pace });
        Aim { target, plan, history: Vec::new() }
    };
    let aims = pieces.iter().map(target).collect();
    let team = Some(if one_in(chance, 2) { "Herons" } else { "Otters" }.to_owned());
    let spec = AthleteSpec { name: format!("Rower {no}"), team, heart_limit_bpm: Some(Bpm(185)) };
    Person {
        athlete: AthleteId(Uuid::from_u128(0xa000 + u128::from(no))),
        entry: RosterEntry { spec, aims },
        build,
        joins_after_go: (no > 1 && one_in(chance, 4))
            .then(|| u64::from(between(chance, 5_000, 25_000))),
        says_stop: one_in(chance, 2),
        nonsense_every: one_in(chance, 3).then(|| between(chance, 9, 40)),
        seed: chance.bits(),
    }
}

/// When even the slowest is certainly home, whatever happened on the way, and the world has been quiet for a
/// while.
fn lasts(piece: &PieceSpec, slowest_per_500m_ms: u64) -> u64 {
    let work: u64 = (piece.repeats.iter())
        .map(|repeat| {
            let work = match repeat.work {
                Extent::Distance { distance_dm } => {
                    u64::from(distance_dm.0) * slowest_per_500m_ms / 5_000
                }
                Extent::Time { time_ms } => u64::from(time_ms.0),
            };
            // With a common signal everybody may wait for somebody who is away.
            work + u64::from(repeat.rest_ms.0) + 30_000
        })
        .sum();
    (work / 100 * 115) / 100 * 100 + 30_000 + QUIET_MS
}

fn coach_a_piece(
    chance: &mut Chance,
    no: usize,
    closes: u64,
    athletes: &[Person],
    orders: &mut Vec<(When, Order)>,
) {
    if no > 0 {
        orders.push((When::After(4_000), Order::NextPiece));
    }
    orders.push((When::After(3_000), Order::Arm));
    orders.push((When::After(500), Order::Start));
    if one_in(chance, 4) {
        orders.push((When::AfterGo(u64::from(between(chance, 1_000, 9_000))), Order::FalseStart));
        // Long enough for everybody to have heard of it, whatever happens to their connection.
        orders.push((When::After(45_000), Order::Start));
    }
    let mut instants: Vec<u64> =
        (0..chance.below(4)).map(|_| u64::from(between(chance, 4_000, 60_000))).collect();
    instants.sort_unstable();
    for (nth, after_go) in instants.into_iter().enumerate() {
        let audience = match chance.below(4) {
            0 => Audience::All,
            1 => Audience::Team { team: "Herons".to_owned() },
            2 => Audience::Behind,
            _ => {
                Audience::Picked { athletes: athletes.iter().take(2).map(|a| a.athlete).collect() }
            }
        };
        let call = CallSpec {
            call: CallId(Uuid::from_u128(0xca00 + (no * 100 + nth) as u128)),
            text: CallText { shown: format!("call {no} {nth}"), spoken: String::new() },
            audience,
            span: span(chance),
            grace_ms: one_in(chance, 3).then_some(Millis(0)),
        };
        let taken_back = call.call;
        orders.push((When::AfterGo(after_go), Order::Call { call }));
        if one_in(chance, 4) {
            orders.push((When::After(1_000), Order::TakeBack { call: taken_back }));
        }
    }
    orders.push((When::AfterGo(closes), Order::Close));
    orders.push((When::After(300), Order::Stop));
}
