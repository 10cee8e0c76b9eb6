//! One line of a scene: a time from the go, a name or none, and what happened.

use thole_protocol::{
    ids::{AthleteId, CallId},
    order::Order,
    spec::{
        Aim, Audience, CallSpec, CallText, Plan, Point, Ranking, SessionSettings, SheetCall, Span,
        Target, Today,
    },
    units::{Bpm, Decimetres, Millis},
};
use uuid::Uuid;

use super::words::{metres, time};

/// A line, parsed.
pub(super) struct Line {
    pub(super) ms: u64,
    pub(super) name: String,
    pub(super) what: What,
}

/// What can happen. `NAME` is an athlete; times are `1:23.4`, distances `170m`.
#[derive(Clone)]
pub(super) enum What {
    /// `start`: the go is at this time.
    Start,
    /// `restart`: the server was away, and nobody is known to be heard.
    Restart,
    /// `false start`, `stop`, `close`, `disarm`, `next repeat`, `rank by amount`, `best 2 of a team`.
    Order(Order),
    /// `call 'push the legs' to all | to behind | to team Herons | to ana bo, for 10 strokes | for
    /// 0:30 | until next`.
    Call(Box<CallSpec>),
    /// `take back 'push the legs'`.
    TakeBack(String),
    /// `sheet at 500m | at 300m to go | at 1:00 | at stroke 40: 'settle' to …, for …`.
    SheetCall(Box<SheetCall>),
    /// `show standings | teams | results | told results | notices | phase | own NAME | calls`.
    Show(String),
    /// `NAME aims 5:06.0 | aims 3010m | aims 1:45.0 pace`, and after it `fast start`, `negative`.
    Aims(Aim),
    /// `NAME joins`.
    Joins,
    /// `NAME in Herons`, `NAME limit 172`.
    Team(Option<String>, Option<Bpm>),
    /// `NAME 170m`, and after it `20 strokes`, `26 spm`: the machine reports this.
    Sample { dm: i64, strokes: Option<i64>, rate: Option<i64> },
    /// `NAME rows 1:45.0 until 2:00.0`, and after it `every 0:02`; `NAME stands until 2:00.0`.
    Rows { per_500m_ms: u64, until: u64, pause_ms: u64 },
    /// `NAME resets`: the machine counts from zero again.
    Resets,
    /// `NAME silent`: nothing is heard of the device from now on.
    Silent,
    /// `NAME holds`: the connection is lost, the device keeps what it measures.
    Holds,
    /// `NAME delivers`: what was kept arrives; `NAME delivers backwards`: the last sample first.
    Delivers { backwards: bool },
    /// `NAME forgets`: what was kept is gone for good, and the device says so.
    Forgets,
    /// `NAME again`: the last sample is sent again.
    Again,
    /// `NAME ready`, `NAME ready easy`, `NAME not today`: the word for the day.
    Today(Today),
    /// `NAME stops rowing`.
    StopsRowing,
    /// `NAME rows on`.
    RowsOn,
    /// `NAME consents` to heart rate.
    Consents,
    /// `NAME heart 176`.
    Heart(i64),
}

impl Line {
    /// Reads a line.
    ///
    /// # Panics
    /// When the line makes no sense.
    pub(super) fn read(line: &str) -> Line {
        Line::understood(line).unwrap_or_else(|| panic!("nobody understands this line: {line}"))
    }

    fn understood(line: &str) -> Option<Line> {
        let (when, rest) = line.split_once(' ')?;
        let (ms, rest) = (time(when)?, rest.trim());
        if let Some(what) = of_nobody(rest) {
            return Some(Line { ms, name: String::new(), what });
        }
        let (name, deed) = rest.split_once(' ')?;
        Some(Line { ms, name: name.to_owned(), what: of_somebody(deed.trim())? })
    }
}

fn of_nobody(text: &str) -> Option<What> {
    let settings = SessionSettings::default();
    Some(match text {
        "start" => What::Start,
        "restart" => What::Restart,
        "false start" => What::Order(Order::FalseStart),
        "stop" => What::Order(Order::Stop),
        "close" => What::Order(Order::Close),
        "next repeat" => What::Order(Order::NextRepeat),
        "rank by amount" => {
            let settings = SessionSettings { ranking: Ranking::Amount, ..settings };
            What::Order(Order::Settings { settings })
        }
        other => {
            let (verb, rest) = other.split_once(' ')?;
            match verb {
                "show" => What::Show(rest.to_owned()),
                "call" => What::Call(Box::new(call(rest)?)),
                "take" => What::TakeBack(quoted(rest)?.0),
                "sheet" => What::SheetCall(Box::new(sheet_call(rest)?)),
                "best" => {
                    let team_best = rest.split_once(' ')?.0.parse().ok()?;
                    let settings = SessionSettings { team_best, ..settings };
                    What::Order(Order::Settings { settings })
                }
                _ => return None,
            }
        }
    })
}

fn of_somebody(deed: &str) -> Option<What> {
    let words: Vec<&str> = deed.split_whitespace().collect();
    Some(match words.as_slice() {
        ["aims", rest @ ..] => What::Aims(aim(rest)?),
        ["joins"] => What::Joins,
        ["in", team] => What::Team(Some((*team).to_owned()), None),
        ["limit", bpm] => What::Team(None, Some(Bpm(bpm.parse().ok()?))),
        ["rows", "on"] => What::RowsOn,
        ["rows", pace, "until", until, rest @ ..] => {
            let pause_ms = if let ["every", pause] = rest { time(pause)? } else { 2_500 };
            What::Rows { per_500m_ms: time(pace)?, until: time(until)?, pause_ms }
        }
        ["stands", "until", until] => {
            What::Rows { per_500m_ms: 0, until: time(until)?, pause_ms: 1_000 }
        }
        ["resets"] => What::Resets,
        ["silent"] => What::Silent,
        ["holds"] => What::Holds,
        ["forgets"] => What::Forgets,
        ["delivers"] => What::Delivers { backwards: false },
        ["delivers", "backwards"] => What::Delivers { backwards: true },
        ["again"] => What::Again,
        ["ready"] => What::Today(Today::AsUsual),
        ["ready", "easy"] => What::Today(Today::Easy),
        ["not", "today"] => What::Today(Today::Not),
        ["stops", "rowing"] => What::StopsRowing,
        ["consents"] => What::Consents,
        ["heart", bpm] => What::Heart(bpm.parse().ok()?),
        [distance, rest @ ..] => {
            let (strokes, rate) = match rest {
                [] => (None, None),
                [n, "strokes"] => (Some(n.parse().ok()?), None),
                [n, "spm"] => (None, Some(2 * n.parse::<i64>().ok()?)),
                _ => return None,
            };
            What::Sample { dm: metres(distance)?, strokes, rate }
        }
        [] => return None,
    })
}

fn aim(words: &[&str]) -> Option<Aim> {
    let (first, rest) = words.split_first()?;
    let (target, rest) = match (metres(first), time(first), rest) {
        (Some(dm), _, rest) => {
            (Target::Distance { distance_dm: Decimetres(u32::try_from(dm).ok()?) }, rest)
        }
        (None, Some(ms), ["pace", rest @ ..]) => (Target::Pace { per_500m_ms: millis(ms)? }, rest),
        (None, Some(ms), rest) => (Target::Finish { finish_ms: millis(ms)? }, rest),
        (None, None, _) => return None,
    };
    let plan = match rest {
        [] => Plan::Even,
        ["fast", "start"] => Plan::FastStart,
        ["negative"] => Plan::NegativeSplit,
        _ => return None,
    };
    Some(Aim { target: Some(target), plan, history: Vec::new() })
}

/// The text between quotes, and what comes after it.
fn quoted(text: &str) -> Option<(String, &str)> {
    let (_, text) = text.split_once('\'')?;
    let (words, rest) = text.split_once('\'')?;
    Some((words.to_owned(), rest.trim()))
}

fn call(text: &str) -> Option<CallSpec> {
    let (shown, rest) = quoted(text)?;
    let (audience, span) = audience_and_span(rest)?;
    let text = CallText { shown, spoken: String::new() };
    Some(CallSpec { call: CallId(Uuid::nil()), text, audience, span, grace_ms: None })
}

fn sheet_call(text: &str) -> Option<SheetCall> {
    let (at, rest) =
        text.strip_prefix("at ")?.split_once(':').filter(|(at, _)| !at.contains('\''))?;
    // A time has a colon of its own.
    let (at, rest) = match rest.split_once(':') {
        Some((more, rest)) if !more.contains('\'') => (format!("{at}:{more}"), rest),
        Some(_) | None => (at.to_owned(), rest),
    };
    let words: Vec<&str> = at.split_whitespace().collect();
    let decimetres = |text: &str| Some(Decimetres(u32::try_from(metres(text)?).ok()?));
    let at = match words.as_slice() {
        ["stroke", number] => Point::Stroke { number: number.parse().ok()? },
        [distance, "to", "go"] => Point::DistanceToGo { distance_dm: decimetres(distance)? },
        [point] => match metres(point) {
            Some(_) => Point::DistanceDone { distance_dm: decimetres(point)? },
            None => Point::Elapsed { time_ms: millis(time(point)?)? },
        },
        _ => return None,
    };
    let (shown, rest) = quoted(rest)?;
    let (audience, span) = audience_and_span(rest)?;
    Some(SheetCall { at, text: CallText { shown, spoken: String::new() }, audience, span })
}

fn audience_and_span(text: &str) -> Option<(Audience, Span)> {
    let (whom, how_long) = text.split_once(',')?;
    let words: Vec<&str> = whom.strip_prefix("to")?.split_whitespace().collect();
    let audience = match words.as_slice() {
        ["all"] => Audience::All,
        ["behind"] => Audience::Behind,
        ["team", team] => Audience::Team { team: (*team).to_owned() },
        names => Audience::Picked { athletes: names.iter().map(|name| stands_for(name)).collect() },
    };
    let words: Vec<&str> = how_long.split_whitespace().collect();
    let span = match words.as_slice() {
        ["until", "next"] => Span::Next,
        ["for", n, "strokes"] => Span::Strokes { strokes: n.parse().ok()? },
        ["for", length] => Span::Time { time_ms: millis(time(length)?)? },
        _ => return None,
    };
    Some((audience, span))
}

/// A name of at most 16 letters as an identity, until the scene knows whose it is.
fn stands_for(name: &str) -> AthleteId {
    let mut bytes = [0; 16];
    for (byte, letter) in bytes.iter_mut().zip(name.bytes()) {
        *byte = letter;
    }
    AthleteId(Uuid::from_bytes(bytes))
}

/// The athletes that these names, given as identities, belong to.
pub(super) fn picked(
    names: &[AthleteId],
    mut whose: impl FnMut(&str) -> AthleteId,
) -> Vec<AthleteId> {
    let name = |id: &AthleteId| {
        let letters = id.0.into_bytes().into_iter().take_while(|byte| *byte != 0);
        letters.map(char::from).collect::<String>()
    };
    names.iter().map(|id| whose(&name(id))).collect()
}

fn millis(ms: u64) -> Option<Millis> {
    Some(Millis(u32::try_from(ms).ok()?))
}
