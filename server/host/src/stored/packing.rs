//! One input as rows of the journal, and back. What is said about one person is a row of that person: an input
//! that names several is a head without them plus one part per person, and decodes into the one input again.
//!
//! Where personal content is kept: rosters (`athletes_added`), and the words and the recipients of calls to named
//! athletes (an order `call`, sheets in `set_pieces`) in parts; `joined`, `heard`, samples and everything else
//! that concerns one athlete, and the orders `change_athlete`, `remove_athlete` and `aim`, whole in rows of that
//! athlete; everything else is the session's. Anywhere else, identities of athletes are replaced by their person
//! numbers.

mod strokes;

use serde_json::{Map, Value};
use thole_piece::Input;
use thole_protocol::{
    ids::{AthleteId, RunId},
    order::Order,
    spec::Audience,
};
use uuid::Uuid;

use super::{Row, keys::Numbers};

/// A person's part of the row before it.
pub const PART: i8 = 120;
/// What a journal of the first format held and nobody could read: kept as it was.
pub const UNREAD: i8 = 127;
/// Nearly all rows are samples, and the number 1 takes no room in a row.
pub const SAMPLES: i8 = 1;
/// What became of a piece: made again if need be.
pub const SETTLED: i8 = 24;
/// Kinds of the session that only say that something was due, or that a process began.
pub const EMPTY: [i8; 2] = [9, 18];
/// Heart rate: may be deleted at any time.
pub const HEART_RATE: i8 = 2;
const SKIPPED: i8 = 10;
const ACKNOWLEDGED: i8 = 27;

/// What may be erased of somebody who stays. It is said under keys of its own, which are destroyed with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Passing {
    /// What their machine said of each stroke, which strokes their device has given up, and how far it was acknowledged.
    Strokes,
    /// What their strap said.
    HeartRate,
}

impl Passing {
    /// The numbers of its kinds.
    #[must_use]
    pub fn kinds(self) -> &'static [i8] {
        match self {
            Passing::Strokes => &[SAMPLES, SKIPPED, ACKNOWLEDGED],
            Passing::HeartRate => &[HEART_RATE],
        }
    }

    /// Of a kind, erased or not; `None` for what stays as long as its person does.
    #[must_use]
    pub fn of(kind: i8) -> Option<Passing> {
        let kind = kind.saturating_abs();
        [Passing::Strokes, Passing::HeartRate].into_iter().find(|it| it.kinds().contains(&kind))
    }
}

/// Numbers of kinds and their names in JSON. A number is never used for anything else; its negative is a row
/// whose content was erased: a hash stands in its place.
const KINDS: [(i8, &str); 30] = [
    (SAMPLES, "samples"),
    (HEART_RATE, "heart_rate"),
    (3, "created"),
    (4, "projecting"),
    (5, "athletes_added"),
    (6, "joined"),
    (7, "heard"),
    (8, "not_heard"),
    (9, "reopened"),
    (SKIPPED, "skipped"),
    (11, "consent"),
    (12, "ready"),
    (13, "aimed"),
    (14, "stop_rowing"),
    (15, "row_on"),
    (16, "took_command"),
    (17, "ordered"),
    (18, "deadline"),
    (19, "let_in"),
    (20, "renewed"),
    (21, "coach_link_used"),
    (22, "second_device"),
    (23, "names_by_sight"),
    (SETTLED, "settled"),
    (25, "damaged"),
    (26, "clock_set"),
    (ACKNOWLEDGED, "acknowledged"),
    (28, "strokes_let_go"),
    (29, "came_by_key"),
    (30, "at_hall"),
];

/// The number of an input's kind.
fn kind(input: &Input) -> i8 {
    match input {
        Input::Samples { .. } => SAMPLES,
        Input::HeartRate { .. } => HEART_RATE,
        Input::Created { .. } => 3,
        Input::Projecting { .. } => 4,
        Input::AthletesAdded { .. } => 5,
        Input::Joined { .. } => 6,
        Input::Heard { .. } => 7,
        Input::NotHeard { .. } => 8,
        Input::Reopened => 9,
        Input::Skipped { .. } => SKIPPED,
        Input::Consent { .. } => 11,
        Input::Ready { .. } => 12,
        Input::Aimed { .. } => 13,
        Input::StopRowing { .. } => 14,
        Input::RowOn { .. } => 15,
        Input::TookCommand { .. } => 16,
        Input::Ordered { .. } => 17,
        Input::Deadline => 18,
        Input::LetIn { .. } => 19,
        Input::Renewed { .. } => 20,
        Input::CoachLinkUsed => 21,
        Input::SecondDevice { .. } => 22,
        Input::NamesBySight => 23,
        Input::Settled { .. } => SETTLED,
        Input::Damaged(_) => 25,
        Input::ClockSet { .. } => 26,
        Input::Acknowledged { .. } => ACKNOWLEDGED,
        Input::StrokesLetGo => 28,
        Input::CameByKey { .. } => 29,
        Input::AtHall { .. } => 30,
    }
}

/// What an input is of what may be erased of somebody who stays; `None` for what stays as long as its person does.
#[must_use]
pub fn passing(input: &Input) -> Option<Passing> {
    Passing::of(kind(input))
}

/// The recording that a row of samples names.
#[must_use]
pub fn recording_no(payload: &[u8]) -> Option<u64> {
    strokes::recording_no(payload)
}

/// How many rows, and so positions, an input takes.
#[must_use]
pub fn rows(input: &Input) -> u64 {
    let parts = if let Input::AthletesAdded { athletes, .. } = input {
        athletes.len()
    } else if let Input::Ordered { order, .. } = input {
        audiences(order).iter().map(|audience| picked(audience).len()).sum()
    } else {
        0
    };
    1 + parts as u64
}

/// Whom the calls of an order are for, in order.
fn audiences(order: &Order) -> Vec<&Audience> {
    if let Order::Call { call } = order {
        vec![&call.audience]
    } else if let Order::SetPieces { pieces } = order {
        pieces.iter().flat_map(|piece| &piece.call_sheet).map(|call| &call.audience).collect()
    } else {
        Vec::new()
    }
}

fn picked(audience: &Audience) -> &[AthleteId] {
    match audience {
        Audience::Picked { athletes } => athletes,
        Audience::All | Audience::Team { .. } | Audience::Behind => &[],
    }
}

/// Whose row the head of an input is.
fn owner(input: &Input) -> Option<AthleteId> {
    if let Input::Ordered {
        order:
            Order::ChangeAthlete { athlete, .. }
            | Order::RemoveAthlete { athlete }
            | Order::Aim { athlete, .. }
            | Order::CorrectResult { athlete, .. }
            | Order::CorrectTarget { athlete, .. }
            | Order::Exclude { athlete, .. }
            | Order::Unrank { athlete, .. },
        ..
    } = input
    {
        return Some(*athlete);
    }
    input.athlete()
}

/// Everybody whom an input has rows about: they need numbers first.
#[must_use]
pub fn people(input: &Input) -> Vec<AthleteId> {
    let mut people: Vec<AthleteId> = owner(input).into_iter().collect();
    if let Input::AthletesAdded { athletes, .. } = input {
        people.extend(athletes.iter().map(|(athlete, _)| *athlete));
    } else if let Input::Ordered { order, .. } = input {
        people.extend(audiences(order).into_iter().flat_map(picked));
    }
    people
}

/// The recording that samples belong to; it needs a number first.
#[must_use]
pub fn recording(input: &Input) -> Option<(AthleteId, RunId)> {
    let Input::Samples { athlete, run, .. } = input else { return None };
    Some((*athlete, *run))
}

/// An input as its rows; `at` has a column of its own, and times of hearing are stored relative to it.
///
/// # Errors
/// The input is not JSON, or somebody has no number: neither can happen.
pub fn split(at: u64, input: &Input, numbers: &Numbers) -> Result<Vec<Row>, String> {
    let number = |athlete: AthleteId| {
        numbers.persons.get(&athlete).copied().ok_or_else(|| format!("{athlete} has no number"))
    };
    let person = owner(input).map(number).transpose()?;
    let kind = kind(input);
    let payload = if let Input::Samples { run, samples, .. } = input {
        let run = numbers.runs.get(run).ok_or_else(|| format!("{run} has no number"))?;
        strokes::pack_samples(at, *run, samples)
    } else if let Input::HeartRate { readings, .. } = input {
        strokes::pack_readings(at, readings)
    } else {
        return split_words(input, kind, person, numbers, number);
    };
    Ok(vec![Row { person, kind, payload }])
}

fn split_words(
    input: &Input,
    kind: i8,
    person: Option<u64>,
    numbers: &Numbers,
    number: impl Fn(AthleteId) -> Result<u64, String>,
) -> Result<Vec<Row>, String> {
    let mut said = serde_json::to_value(input).map_err(|error| error.to_string())?;
    let mut parts = Vec::new();
    if let Some(said) = said.as_object_mut() {
        said.remove("input");
        if person.is_some() {
            with_owner(said, |there| drop(there.remove("athlete")));
        }
    }
    if let Input::AthletesAdded { athletes, .. } = input {
        set(&mut said, "athletes", Value::from(athletes.len()));
        for (athlete, entry) in athletes {
            let payload = serde_json::to_vec(entry).map_err(|error| error.to_string())?;
            parts.push(Row { person: Some(number(*athlete)?), kind: PART, payload });
        }
    }
    each_picked(&mut said, &mut |call| {
        let Some(Value::Array(athletes)) = call.get("audience").and_then(|a| a.get("athletes"))
        else {
            return Ok(());
        };
        let athletes: Vec<AthleteId> =
            serde_json::from_value(Value::from(athletes.clone())).map_err(|e| e.to_string())?;
        // A call to nobody has no part that could hold its words.
        if athletes.is_empty() {
            return Ok(());
        }
        if let Some(audience) = call.get_mut("audience") {
            set(audience, "athletes", Value::from(athletes.len()));
        }
        // The words are kept once, with the first of them: otherwise one call to thousands would be written
        // thousands of times.
        let mut words = call.remove("text").map_or_else(Vec::new, |text| text.to_string().into());
        for athlete in athletes {
            let payload = std::mem::take(&mut words);
            parts.push(Row { person: Some(number(athlete)?), kind: PART, payload });
        }
        Ok(())
    })?;
    number_ids(&mut said, numbers);
    let is_empty = said.as_object().is_some_and(Map::is_empty);
    let payload = if is_empty { Vec::new() } else { said.to_string().into() };
    let mut rows = vec![Row { person, kind, payload }];
    rows.extend(parts);
    Ok(rows)
}

/// One input from its rows: the head, then its parts.
///
/// # Errors
/// What about them cannot be understood.
pub fn join(at: u64, head: &Row, parts: &[Row], numbers: &Numbers) -> Result<Input, String> {
    let athlete = |person: u64| {
        let athlete = numbers.athletes.get(&person).copied();
        athlete.ok_or_else(|| format!("nobody here has the number {person}"))
    };
    let own = head.person.map(athlete).transpose()?;
    let no_owner = || "it belongs to nobody".to_owned();
    if head.kind == SAMPLES {
        let (run, samples) = strokes::unpack_samples(at, &head.payload)?;
        let run = numbers.recordings.get(&run).copied();
        let run = run.ok_or("its recording is not known")?;
        return Ok(Input::Samples { athlete: own.ok_or_else(no_owner)?, run, samples });
    }
    if head.kind == HEART_RATE {
        let readings = strokes::unpack_readings(at, &head.payload)?;
        return Ok(Input::HeartRate { athlete: own.ok_or_else(no_owner)?, readings });
    }
    let name = KINDS.iter().find(|(kind, _)| *kind == head.kind).map(|(_, name)| *name);
    let name = name.ok_or_else(|| format!("its kind {} is not known", head.kind))?;
    let mut said = words(&head.payload)?;
    name_ids(&mut said, numbers);
    let mut parts = parts.iter();
    let mut next = || {
        let part = parts.next().ok_or("a part of it is missing")?;
        let who = part.person.ok_or("a part of it belongs to nobody")?;
        Ok::<_, String>((athlete(who)?, &part.payload))
    };
    if let (5, Some(count)) = (head.kind, said.get("athletes").and_then(Value::as_u64)) {
        let mut athletes = Vec::new();
        for _ in 0..count {
            let (who, entry) = next()?;
            athletes.push(Value::from(vec![json(who)?, words(entry)?]));
        }
        set(&mut said, "athletes", Value::from(athletes));
    }
    each_picked(&mut said, &mut |call| {
        let count = call.get("audience").and_then(|a| a.get("athletes")).and_then(Value::as_u64);
        let Some(count) = count else { return Ok(()) };
        let mut athletes = Vec::new();
        for place in 0..count {
            let (who, text) = next()?;
            athletes.push(json(who)?);
            if place == 0 {
                call.insert("text".to_owned(), words(text)?);
            }
        }
        if let Some(audience) = call.get_mut("audience") {
            set(audience, "athletes", Value::from(athletes));
        }
        Ok(())
    })?;
    if parts.next().is_some() {
        return Err("it has a part too many".to_owned());
    }
    if let Some(said) = said.as_object_mut() {
        said.insert("input".to_owned(), Value::from(name));
        if let Some(own) = own {
            let own = json(own)?;
            with_owner(said, |there| drop(there.insert("athlete".to_owned(), own)));
        }
    }
    // The library's own words quote what was said, and this is logged.
    serde_json::from_value(said).map_err(|_| format!("it is not a record of the kind {name:?}"))
}

fn json(athlete: AthleteId) -> Result<Value, String> {
    serde_json::to_value(athlete).map_err(|error| error.to_string())
}

fn words(payload: &[u8]) -> Result<Value, String> {
    if payload.is_empty() {
        return Ok(Value::Object(Map::new()));
    }
    serde_json::from_slice(payload).map_err(|error| error.to_string())
}

fn set(value: &mut Value, name: &str, to: Value) {
    if let Some(fields) = value.as_object_mut() {
        fields.insert(name.to_owned(), to);
    }
}

/// Does something at the place in the input where the athlete of a row is kept: in the order, or beside the
/// kind.
fn with_owner(said: &mut Map<String, Value>, act: impl FnOnce(&mut Map<String, Value>)) {
    match said.get_mut("order") {
        Some(Value::Object(order)) => act(order),
        _ => act(said),
    }
}

/// Every call to athletes picked by the coach, wherever it appears, in a fixed order.
fn each_picked(
    value: &mut Value,
    visit: &mut impl FnMut(&mut Map<String, Value>) -> Result<(), String>,
) -> Result<(), String> {
    match value {
        Value::Object(fields) => {
            let whom = fields.get("audience").and_then(|audience| audience.get("whom"));
            if whom.and_then(Value::as_str) == Some("picked") {
                return visit(fields);
            }
            fields.values_mut().try_for_each(|value| each_picked(value, visit))
        }
        Value::Array(values) => values.iter_mut().try_for_each(|value| each_picked(value, visit)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => Ok(()),
    }
}

/// Identities of athletes become `~` and their number; a text that begins with `~` gets a second one.
fn number_ids(value: &mut Value, numbers: &Numbers) {
    each_text(value, &|text| {
        let athlete = (text.len() == 36).then(|| Uuid::parse_str(text).ok()).flatten();
        let number = athlete.and_then(|id| numbers.persons.get(&AthleteId(id)));
        match number {
            Some(number) => Some(format!("~{number}")),
            None => text.starts_with('~').then(|| format!("~{text}")),
        }
    });
}

/// And back. The number of somebody who was erased stands for them, as the last digits of an identity that nobody
/// has.
fn name_ids(value: &mut Value, numbers: &Numbers) {
    each_text(value, &|text| {
        let rest = text.strip_prefix('~')?;
        let Ok(number) = rest.parse::<u64>() else { return Some(rest.to_owned()) };
        let erased = || AthleteId(Uuid::from_u128(u128::from(number)));
        Some(numbers.athletes.get(&number).copied().unwrap_or_else(erased).to_string())
    });
}

/// Every text of a value, including keys, replaced where `other` returns a replacement.
fn each_text(value: &mut Value, other: &impl Fn(&str) -> Option<String>) {
    match value {
        Value::String(text) => {
            if let Some(other) = other(text) {
                *text = other;
            }
        }
        Value::Array(values) => values.iter_mut().for_each(|value| each_text(value, other)),
        Value::Object(fields) => {
            let whole = std::mem::take(fields).into_iter().map(|(key, mut value)| {
                each_text(&mut value, other);
                (other(&key).unwrap_or(key), value)
            });
            *fields = whole.collect();
        }
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

#[cfg(test)]
mod tests;
