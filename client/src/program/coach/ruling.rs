//! What a coach rules about results of a piece that is over, in words, and how it is told.

use std::collections::BTreeMap;

use clap::Subcommand;
use thole::{mirror::Mirror, wording};
use thole_protocol::{
    ids::{AthleteId, PieceNo},
    order::{GivenBy, Order},
    shown::{target_text, total_text},
    spec::Target,
    standing::{Corrected, Correction, PieceView},
    total::Total,
};

use super::{action::named, numbers};

/// What can be ruled; the reason is kept, and shown to coaches.
#[derive(Subcommand, Clone, Debug)]
pub(crate) enum Rule {
    /// Makes the results of a piece official: from then on no place moves by itself
    Official {
        /// Which piece, 1 is the first; without it the current one
        #[arg(long)]
        piece: Option<u16>,
    },
    /// Takes back that a piece is official
    Reopen {
        /// Why
        #[arg(required = true)]
        reason: Vec<String>,
        /// Which piece, 1 is the first; without it the current one
        #[arg(long)]
        piece: Option<u16>,
    },
    /// Puts another result in the place of what was measured
    Correct {
        /// The athlete's name
        name: String,
        /// A time (7:41.2), or of a piece by time a distance (4120m)
        result: String,
        /// Why
        #[arg(required = true)]
        reason: Vec<String>,
        /// Which piece, 1 is the first; without it the current one
        #[arg(long)]
        piece: Option<u16>,
    },
    /// Ranks a result against another target
    CorrectTarget {
        /// The athlete's name
        name: String,
        /// A finish (6:31.5), a pace (1:52.4/500m), a distance (4120m), or none
        target: String,
        /// Why
        #[arg(required = true)]
        reason: Vec<String>,
        /// Which piece, 1 is the first; without it the current one
        #[arg(long)]
        piece: Option<u16>,
    },
    /// Says that a result does not count: it loses its place and is shown as excluded
    Exclude {
        /// The athlete's name
        name: String,
        /// Why
        #[arg(required = true)]
        reason: Vec<String>,
        /// Which piece, 1 is the first; without it the current one
        #[arg(long)]
        piece: Option<u16>,
    },
    /// Says that a result was rowed out of competition: it loses its place, without blame
    Unrank {
        /// The athlete's name
        name: String,
        /// Why
        #[arg(required = true)]
        reason: Vec<String>,
        /// Which piece, 1 is the first; without it the current one
        #[arg(long)]
        piece: Option<u16>,
    },
    /// Takes back a correction, or that a piece is official or was reopened
    Undo {
        /// Its number, as it was printed and as `results` shows it, or the beginning of it
        number: String,
    },
}

impl Rule {
    /// The order that it is, and the word for it.
    ///
    /// # Errors
    /// A sentence that says what to type.
    pub(super) fn order(self, mirror: &Mirror) -> Result<(&'static str, Order), String> {
        let piece_of = |piece: Option<u16>| match piece {
            Some(nth) => nth.checked_sub(1).map(PieceNo).ok_or("Pieces are counted from 1."),
            None => Ok(mirror.now().current),
        };
        Ok(match self {
            Rule::Official { piece } => {
                ("official", Order::MakeOfficial { piece: piece_of(piece)? })
            }
            Rule::Reopen { reason, piece } => {
                ("reopen", Order::Reopen { piece: piece_of(piece)?, reason: reason.join(" ") })
            }
            Rule::Correct { name, result, reason, piece } => {
                let (piece, athlete) = (piece_of(piece)?, named(mirror, &name)?);
                let (finish, reason) = (finish(&result)?, reason.join(" "));
                ("correct", Order::CorrectResult { piece, athlete, finish, reason })
            }
            Rule::CorrectTarget { name, target, reason, piece } => {
                let (piece, athlete) = (piece_of(piece)?, named(mirror, &name)?);
                let is_none = target.trim() == "none";
                let target = if is_none { None } else { Some(wording::target(&target)?) };
                let reason = reason.join(" ");
                ("correct-target", Order::CorrectTarget { piece, athlete, target, reason })
            }
            Rule::Exclude { name, reason, piece } => {
                let (piece, athlete) = (piece_of(piece)?, named(mirror, &name)?);
                ("exclude", Order::Exclude { piece, athlete, reason: reason.join(" ") })
            }
            Rule::Unrank { name, reason, piece } => {
                let (piece, athlete) = (piece_of(piece)?, named(mirror, &name)?);
                ("unrank", Order::Unrank { piece, athlete, reason: reason.join(" ") })
            }
            Rule::Undo { number } => {
                ("undo", Order::Undo { ruling: numbers::ruling(mirror, &number)? })
            }
        })
    }
}

fn finish(typed: &str) -> Result<Total, String> {
    match wording::target(typed) {
        Ok(Target::Finish { finish_ms }) => Ok(Total::Time { finish_ms }),
        Ok(Target::Distance { distance_dm }) => Ok(Total::Distance { distance_dm }),
        Ok(Target::Pace { .. }) | Err(_) => Err(format!(
            "\"{typed}\" is not a result; type a time (7:41.2), or of a piece by time a distance (4120m)."
        )),
    }
}

/// What stands of all that was ruled about a piece, a line each, with the number by which it is undone.
pub(super) fn rulings_text(view: &PieceView, names: &BTreeMap<AthleteId, String>) -> Vec<String> {
    let rulings = &view.rulings;
    let mut lines = Vec::new();
    lines.extend(rulings.official.as_ref().map(|official| {
        format!(
            "     official{}   (undo {})",
            by(official.by.as_ref()),
            numbers::shown(official.command.0)
        )
    }));
    lines.extend(rulings.reopened.as_ref().map(|reopened| {
        let by = by(reopened.by.as_ref());
        format!(
            "     reopened{by}: {}   (undo {})",
            reopened.reason,
            numbers::shown(reopened.command.0)
        )
    }));
    lines.extend(rulings.corrections.iter().map(|correction| correction_text(correction, names)));
    lines
}

fn correction_text(correction: &Correction, names: &BTreeMap<AthleteId, String>) -> String {
    let Correction { command, athlete, by: coach, what, reason, at_ms: _ } = correction;
    let what = match what {
        Corrected::Finish { finish } => format!("result {}", total_text(*finish)),
        Corrected::Target { target: Some(target) } => format!("target {}", target_text(*target)),
        Corrected::Target { target: None } => "no target".to_owned(),
        Corrected::Unranked => "out of competition".to_owned(),
        Corrected::Excluded => "excluded".to_owned(),
    };
    let name = names.get(athlete).map_or("?", String::as_str);
    let undo = numbers::shown(command.0);
    format!("     {name}: {what}{}: {reason}   (undo {undo})", by(coach.as_ref()))
}

fn by(coach: Option<&GivenBy>) -> String {
    coach.map(|coach| format!(" by {}", coach.name)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use thole_protocol::units::{Decimetres, Millis};

    use super::*;

    #[test]
    fn a_result_is_typed_as_a_time_or_a_distance_and_never_as_a_pace() {
        let time = Total::Time { finish_ms: Millis(461_200) };
        assert_eq!(finish("7:41.2"), Ok(time));
        assert_eq!(finish("7:41,2"), Ok(time));
        assert_eq!(finish("4120m"), Ok(Total::Distance { distance_dm: Decimetres(41_200) }));
        for wrong in ["1:52.4/500m", "soon", ""] {
            assert!(finish(wrong).unwrap_err().contains("7:41.2"), "{wrong}");
        }
    }
}
