//! What can be rowed and what can be asked for: every bound with its reason, and the sentence that refuses
//! what is beyond it.

use thole_protocol::{
    refusal::{Refusal, Why},
    spec::{AthleteSpec, Audience, CallText, Extent, PieceSpec, Point, SheetCall, Span, Target},
    total::Total,
    units::{Decimetres, Millis, decimetres, millis},
};

// What clients have to know stands in the protocol; the core has further bounds of its own.
pub use thole_protocol::limits::{
    CALL_SHEET_MAX, CALL_SHOWN_MAX, CALL_SPOKEN_MAX, CALL_STROKES, CALL_TIME, CALL_WORDS_MAX,
    COUNT, DAY, DISTANCE, FALSE_START_MAX, GRACE_MAX, HEART_BELIEVED_BPM, HEART_LIMIT_BPM,
    HISTORY_MAX, LEGS, NAME_MAX, PIECES_MAX, POWER_MAX_W, PREPARED_MAX, RATE_MAX_HALF_SPM,
    REASON_MAX, REPEATS, REST, SAMPLES_A_SECOND, SPEED_MAX_DM_A_SECOND,
    SPEED_OVER_500M_MAX_DM_A_SECOND, SPEED_OVER_2000M_MAX_DM_A_SECOND, SPEEDS, STOPPED_AFTER,
    STROKE_NUMBER_MAX, STROKES_MAX, TIME, TITLE_MAX,
};

/// Fastest stroke that a machine is believed to report, m/s: 2,041 W by the cubic law, twice the power of the
/// 500 m mark (1:10.5, World Rowing, 12 March 2021).
pub const SPEED_MAX: f64 = SPEED_MAX_DM_A_SECOND as f64 / 10.0;
/// Fastest mean over 500 m and more, m/s.
pub const SPEED_OVER_500M_MAX: f64 = SPEED_OVER_500M_MAX_DM_A_SECOND as f64 / 10.0;
/// Fastest mean over 2000 m and more, m/s.
pub const SPEED_OVER_2000M_MAX: f64 = SPEED_OVER_2000M_MAX_DM_A_SECOND as f64 / 10.0;
/// Fastest mean over an hour and more, m/s; the hour mark (18,602 m, World Rowing 2023) is 5.17.
pub const SPEED_OVER_HOUR_MAX: f64 = 5.5;
/// What is covered in an hour at that speed.
const HOUR_METRES: f64 = SPEED_OVER_HOUR_MAX * 3_600.0;

/// Rulings about the results of one piece, undone ones among them: a class of fifty has a handful, and the list of them all
/// still fits into one message.
pub const RULINGS_MAX: usize = 300;
/// All the work of one piece by distance: more than is rowed in a day, and well within 32 bits.
pub const WORK_DISTANCE_MAX: Decimetres = Decimetres(5_000_000);

/// The whole work of a piece, all repeats together, in the unit that fixes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measure {
    /// Fixed distance; the result is a time.
    Distance(Decimetres),
    /// Fixed time; the result is a distance.
    Time(Millis),
}

impl Measure {
    /// All the work of a piece; `None` for a piece without repeats, or with repeats of both kinds.
    #[must_use]
    pub fn of(piece: &PieceSpec) -> Option<Measure> {
        let mut whole: Option<Measure> = None;
        for repeat in &piece.repeats {
            whole = Some(match (whole, repeat.work) {
                (None, Extent::Distance { distance_dm }) => Measure::Distance(distance_dm),
                (None, Extent::Time { time_ms }) => Measure::Time(time_ms),
                (Some(Measure::Distance(sum)), Extent::Distance { distance_dm }) => {
                    Measure::Distance(sum + distance_dm)
                }
                (Some(Measure::Time(sum)), Extent::Time { time_ms }) => {
                    Measure::Time(sum + time_ms)
                }
                (Some(Measure::Distance(_)), Extent::Time { .. })
                | (Some(Measure::Time(_)), Extent::Distance { .. }) => return None,
            });
        }
        whole
    }
}

/// The fastest mean speed that a target or a result may have, m/s.
///
/// The limit falls with the distance (500 m, 2000 m) and beyond an hour; in pieces by time, with what would
/// be covered.
#[must_use]
pub fn fastest(measure: Measure) -> f64 {
    match measure {
        Measure::Distance(distance) => fastest_over(f64::from(distance.0) / 1e1),
        Measure::Time(time) => {
            let seconds = f64::from(time.0) / 1e3;
            if seconds >= 3_600.0 {
                return SPEED_OVER_HOUR_MAX;
            }
            // Up to just under 500 m (2000 m, an hour's metres) the faster limit holds, so there is a range
            // of times for which the mark itself is the limit.
            let sprint = SPEED_MAX.min(500.0 / seconds);
            let middle = SPEED_OVER_500M_MAX.min(2_000.0 / seconds);
            let long = SPEED_OVER_2000M_MAX.min(HOUR_METRES / seconds);
            sprint.max(middle).max(long)
        }
    }
}

fn fastest_over(metres: f64) -> f64 {
    if metres >= HOUR_METRES {
        SPEED_OVER_HOUR_MAX
    } else if metres >= 2_000.0 {
        SPEED_OVER_2000M_MAX
    } else if metres >= 500.0 {
        SPEED_OVER_500M_MAX
    } else {
        SPEED_MAX
    }
}

/// Whether a result's mean speed is beyond what anybody is known to have rowed, with some room to spare: the
/// result stands and is marked for the coach.
///
/// ```
/// use thole_piece::limits::implausible_mean;
/// assert!(!implausible_mean(1_700.0, 306.0));
/// assert!(implausible_mean(1_700.0, 206.0));
/// ```
#[must_use]
pub fn implausible_mean(distance_m: f64, time_s: f64) -> bool {
    if distance_m <= 0.0 {
        return false;
    }
    let limit = if time_s >= 3_600.0 { SPEED_OVER_HOUR_MAX } else { fastest_over(distance_m) };
    // Not `speed > limit`, so that a time of zero is implausible too.
    time_s.is_nan() || distance_m > limit * time_s
}

/// A target in the unit that the piece is measured in, a mean pace included.
///
/// # Errors
/// `OutOfRange` for the wrong kind, for zero, or for more than a day; `Unrowable` for what nobody can row.
/// Never for being slow.
///
/// ```
/// use thole_piece::limits::{Measure, target_cost};
/// use thole_protocol::{spec::Target, total::Total, units::{Decimetres, Millis}};
/// let pace = Target::Pace { per_500m_ms: Millis(90_000) };
/// let piece = Measure::Distance(Decimetres(17_000));
/// assert_eq!(target_cost(piece, &pace), Ok(Total::Time { finish_ms: Millis(306_000) }));
/// ```
pub fn target_cost(measure: Measure, target: &Target) -> Result<Total, Refusal> {
    match measure {
        Measure::Distance(distance) => {
            finish_time(distance, target).map(|finish_ms| Total::Time { finish_ms })
        }
        Measure::Time(time) => {
            covered(time, target).map(|distance_dm| Total::Distance { distance_dm })
        }
    }
}

/// Whether a target is faster than anybody rows this piece.
#[must_use]
pub fn is_unrowable(piece: &PieceSpec, target: &Target) -> bool {
    let cost = Measure::of(piece).map(|measure| target_cost(measure, target));
    cost.is_some_and(|cost| cost.is_err_and(|refusal| refusal.why == Why::Unrowable))
}

fn finish_time(distance: Decimetres, target: &Target) -> Result<Millis, Refusal> {
    let metres_of_it = f64::from(distance.0) / 1e1;
    let finish = match target {
        Target::Finish { finish_ms } => *finish_ms,
        Target::Pace { per_500m_ms } => millis(f64::from(per_500m_ms.0) * metres_of_it / 500.0),
        Target::Distance { .. } => {
            return Err(out_of_range(
                "This piece is by distance: give a finish time or a pace as the target.".to_owned(),
            ));
        }
    };
    if finish.0 == 0 || finish > DAY {
        return Err(out_of_range(format!(
            "The target for {} must be more than zero and at most 24 hours.",
            metres(distance)
        )));
    }
    let shortest = metres_of_it / fastest(Measure::Distance(distance));
    if f64::from(finish.0) / 1e3 < shortest {
        return Err(Refusal {
            why: Why::Unrowable,
            says: format!(
                "Nobody rows {} in {}: set a target of {} or slower.",
                metres(distance),
                clock(finish),
                clock(tenths_up(shortest))
            ),
        });
    }
    Ok(finish)
}

fn covered(time: Millis, target: &Target) -> Result<Decimetres, Refusal> {
    let seconds = f64::from(time.0) / 1e3;
    let distance = match target {
        Target::Distance { distance_dm } => *distance_dm,
        Target::Pace { per_500m_ms: Millis(0) } => Decimetres(0),
        Target::Pace { per_500m_ms } => {
            decimetres(5_000.0 * seconds * 1e3 / f64::from(per_500m_ms.0))
        }
        Target::Finish { .. } => {
            return Err(out_of_range(
                "This piece is by time: give a distance or a pace as the target.".to_owned(),
            ));
        }
    };
    if distance.0 == 0 {
        return Err(out_of_range(format!(
            "The target for {} of rowing must be more than zero.",
            clock(time)
        )));
    }
    let furthest = seconds * fastest(Measure::Time(time));
    if f64::from(distance.0) / 1e1 > furthest {
        return Err(Refusal {
            why: Why::Unrowable,
            says: format!(
                "Nobody rows {} in {}: set a target of {} or less.",
                metres(distance),
                clock(time),
                metres(decimetres(furthest.floor() * 1e1))
            ),
        });
    }
    Ok(distance)
}

/// Whether a piece can be rowed as it has been set up.
///
/// # Errors
/// `OutOfRange` with the value and its bounds.
pub fn check_piece(piece: &PieceSpec) -> Result<(), Refusal> {
    check_title(&piece.title)?;
    if !REPEATS.contains(&piece.repeats.len()) {
        return Err(out_of_range(format!(
            "A piece has 1 to 60 repeats, this one has {}.",
            piece.repeats.len()
        )));
    }
    let Some(measure) = Measure::of(piece) else {
        return Err(out_of_range(
            "Repeats by distance and by time cannot be mixed in one piece: make two pieces."
                .to_owned(),
        ));
    };
    for (number, repeat) in (1..).zip(&piece.repeats) {
        check_extent(repeat.work)?;
        // Rest after the last repeat is the coffee afterwards.
        if number < piece.repeats.len() && !REST.contains(&repeat.rest_ms) {
            return Err(out_of_range(format!(
                "The rest after repeat {number} must be 5 seconds to 60 minutes."
            )));
        }
    }
    let too_long = match measure {
        Measure::Distance(whole) => whole > WORK_DISTANCE_MAX,
        Measure::Time(whole) => whole > DAY,
    };
    if too_long {
        return Err(out_of_range(
            "All repeats together are at most 24 hours or 500 km: leave some out.".to_owned(),
        ));
    }
    if !COUNT.contains(&piece.count_ms) {
        return Err(out_of_range("The countdown must be 5 to 60 seconds.".to_owned()));
    }
    if piece.call_sheet.len() > CALL_SHEET_MAX {
        return Err(out_of_range(format!("A call sheet has at most {CALL_SHEET_MAX} calls.")));
    }
    piece.call_sheet.iter().try_for_each(|call| check_sheet_call(measure, call))
}

fn check_extent(work: Extent) -> Result<(), Refusal> {
    match work {
        Extent::Distance { distance_dm } if !DISTANCE.contains(&distance_dm) => Err(out_of_range(
            format!("The distance must be 100 m to 100 km, not {} m.", tenths(distance_dm)),
        )),
        Extent::Time { time_ms } if !TIME.contains(&time_ms) => Err(out_of_range(format!(
            "The time must be 10 seconds to 3 hours, not {}.",
            clock(time_ms)
        ))),
        Extent::Distance { .. } | Extent::Time { .. } => Ok(()),
    }
}

fn check_sheet_call(measure: Measure, call: &SheetCall) -> Result<(), Refusal> {
    check_call_text(&call.text)?;
    check_span(&call.span)?;
    check_audience(&call.audience)?;
    let trouble = match (call.at, measure) {
        (Point::DistanceDone { distance_dm }, Measure::Distance(whole))
        | (Point::DistanceToGo { distance_dm }, Measure::Distance(whole))
            if distance_dm >= whole =>
        {
            format!("is at {}, but the piece is only {} long", metres(distance_dm), metres(whole))
        }
        (Point::Elapsed { time_ms }, Measure::Time(whole)) if time_ms >= whole => {
            format!("is at {}, but the piece is only {} long", clock(time_ms), clock(whole))
        }
        (Point::DistanceToGo { .. }, Measure::Time(_)) => {
            "is tied to metres to go, which a piece by time does not have".to_owned()
        }
        (Point::DistanceDone { distance_dm }, Measure::Time(_))
            if distance_dm > WORK_DISTANCE_MAX =>
        {
            format!("is at {}, which nobody reaches", metres(distance_dm))
        }
        (Point::Elapsed { time_ms }, Measure::Distance(_)) if time_ms > DAY => {
            format!("is at {}, when nobody rows any more", clock(time_ms))
        }
        (Point::Stroke { number }, Measure::Distance(_) | Measure::Time(_))
            if number == 0 || number > STROKE_NUMBER_MAX =>
        {
            format!("is at stroke {number}, but strokes are counted from 1 to {STROKE_NUMBER_MAX}")
        }
        (
            Point::DistanceDone { .. }
            | Point::DistanceToGo { .. }
            | Point::Elapsed { .. }
            | Point::Stroke { .. },
            Measure::Distance(_) | Measure::Time(_),
        ) => return Ok(()),
    };
    Err(out_of_range(format!("The call \"{}\" {trouble}: move it.", call.text.shown)))
}

/// Whether a call can be sent to this audience: it names a team or at least one athlete.
///
/// # Errors
/// `OutOfRange` with what to do.
pub fn check_audience(audience: &Audience) -> Result<(), Refusal> {
    match audience {
        Audience::All | Audience::Behind => Ok(()),
        Audience::Team { team } => check_name(team),
        Audience::Picked { athletes } if athletes.is_empty() => {
            Err(out_of_range("The call is for nobody: pick at least one athlete.".to_owned()))
        }
        Audience::Picked { .. } => Ok(()),
    }
}

/// Whether a call is short enough to be seen at a glance and said in one breath.
///
/// # Errors
/// `OutOfRange` with the bound.
pub fn check_call_text(text: &CallText) -> Result<(), Refusal> {
    let shown = text.shown.trim();
    if shown.is_empty() || shown.chars().count() > CALL_SHOWN_MAX {
        return Err(out_of_range(format!(
            "A call is 1 to {CALL_SHOWN_MAX} characters: put the rest into what is spoken."
        )));
    }
    if shown.split_whitespace().count() > CALL_WORDS_MAX {
        return Err(out_of_range(format!(
            "A call is at most {CALL_WORDS_MAX} words: put the rest into what is spoken."
        )));
    }
    if text.spoken.chars().count() > CALL_SPOKEN_MAX {
        return Err(out_of_range(format!(
            "What is spoken with a call is at most {CALL_SPOKEN_MAX} characters: shorten it."
        )));
    }
    if text.shown.chars().chain(text.spoken.chars()).any(char::is_control) {
        return Err(out_of_range("A call is one line of plain text.".to_owned()));
    }
    Ok(())
}

/// Whether a call can stand for this long.
///
/// # Errors
/// `OutOfRange` with the bound.
pub fn check_span(span: &Span) -> Result<(), Refusal> {
    match span {
        Span::Strokes { strokes } if !CALL_STROKES.contains(strokes) => {
            Err(out_of_range(format!("A call stands for 1 to 200 strokes, not {strokes}.")))
        }
        Span::Time { time_ms } if !CALL_TIME.contains(time_ms) => {
            Err(out_of_range("A call stands for 1 second to 60 minutes.".to_owned()))
        }
        Span::Strokes { .. } | Span::Next | Span::Time { .. } => Ok(()),
    }
}

/// Whether a name of an athlete or a team can be shown.
///
/// # Errors
/// `OutOfRange` with the bound.
pub fn check_name(name: &str) -> Result<(), Refusal> {
    if name.trim().is_empty() || name.chars().count() > NAME_MAX {
        return Err(out_of_range(format!("A name is 1 to {NAME_MAX} characters.")));
    }
    if name.chars().any(char::is_control) {
        return Err(out_of_range("A name is one line of plain text.".to_owned()));
    }
    Ok(())
}

/// Whether a title of a piece can be shown; it may be empty.
///
/// # Errors
/// `OutOfRange` with the bound.
pub fn check_title(title: &str) -> Result<(), Refusal> {
    if title.chars().count() > TITLE_MAX || title.chars().any(char::is_control) {
        return Err(out_of_range(format!(
            "A title is one line of at most {TITLE_MAX} characters."
        )));
    }
    Ok(())
}

/// Whether what is known of an athlete makes sense.
///
/// # Errors
/// `OutOfRange` with the bound.
pub fn check_athlete(spec: &AthleteSpec) -> Result<(), Refusal> {
    check_name(&spec.name)?;
    if let Some(team) = &spec.team {
        check_name(team)?;
    }
    match spec.heart_limit_bpm {
        Some(limit) if !HEART_LIMIT_BPM.contains(&limit) => Err(out_of_range(format!(
            "A heart-rate limit is {} to {} beats a minute, not {}.",
            HEART_LIMIT_BPM.start().0,
            HEART_LIMIT_BPM.end().0,
            limit.0
        ))),
        Some(_) | None => Ok(()),
    }
}

/// A time as it is shown: rounded once, to 0.1 s.
///
/// ```
/// use thole_piece::limits::clock;
/// use thole_protocol::units::Millis;
/// assert_eq!(clock(Millis(306_000)), "5:06.0");
/// assert_eq!(clock(Millis(59_960)), "1:00.0");
/// ```
#[must_use]
pub fn clock(time: Millis) -> String {
    let tenths = time.0.saturating_add(50) / 100;
    let (minutes, tenths) = (tenths / 600, tenths % 600);
    let (hours, minutes) = (minutes / 60, minutes % 60);
    if hours > 0 {
        format!("{hours}:{minutes:02}:{:02}.{}", tenths / 10, tenths % 10)
    } else {
        format!("{minutes}:{:02}.{}", tenths / 10, tenths % 10)
    }
}

/// A distance as it is shown: rounded once, to whole metres, with a comma after the thousands.
///
/// ```
/// use thole_piece::limits::metres;
/// use thole_protocol::units::Decimetres;
/// assert_eq!(metres(Decimetres(17_004)), "1,700 m");
/// ```
#[must_use]
pub fn metres(distance: Decimetres) -> String {
    let digits = (distance.0.saturating_add(5) / 10).to_string();
    let mut shown = String::new();
    for (at, digit) in digits.char_indices() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            shown.push(',');
        }
        shown.push(digit);
    }
    shown + " m"
}

/// Metres to the decimetre, where it matters: what is a little too short must not read as long enough.
fn tenths(Decimetres(dm): Decimetres) -> String {
    if dm % 10 == 0 { (dm / 10).to_string() } else { format!("{}.{}", dm / 10, dm % 10) }
}

/// The next full tenth of a second, so that the limit named in a refusal is itself accepted.
fn tenths_up(seconds: f64) -> Millis {
    millis((seconds * 1e1).ceil() * 1e2)
}

pub(crate) fn out_of_range(says: String) -> Refusal {
    Refusal { why: Why::OutOfRange, says }
}
