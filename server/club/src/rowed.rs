//! What somebody says was rowed, typed or in a file, where no journal has it.

use serde::{Deserialize, Serialize};
use thole_piece::{
    limits::{self, Measure},
    name, standings,
};
use thole_protocol::{
    shown::{Tenths, distance_text, time_text},
    spec::{PieceSpec, Repeat},
    total::Total,
    typed::{self, distance, duration},
    units::{Decimetres, HalfSpm, Millis, decimetres, millis},
};

use crate::{
    day::ClubDay,
    plausible::{self, Beyond, Claim, Unlikely, odd_day},
};

/// Characters of a kind of machine, as the club writes it.
pub const MACHINE_MAX: usize = 40;

/// A piece that somebody has rowed to its end, on one day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rowed {
    /// The club's day.
    pub day: ClubDay,
    /// The piece.
    pub repeats: Vec<Repeat>,
    /// The time of a piece by distance, the distance of a piece by time.
    pub total: Total,
    /// Mean rate.
    #[serde(default)]
    pub rate_half_spm: Option<HalfSpm>,
    /// The kind of machine; `None` for the club's usual one.
    #[serde(default)]
    pub machine: Option<String>,
    /// What the piece was called; may be empty.
    #[serde(default)]
    pub title: String,
}

impl Rowed {
    /// Work time and work distance.
    ///
    /// # Errors
    /// One sentence: why nobody can have rowed that. What is merely unlikely is nobody's error.
    pub fn work(&self, today: &ClubDay) -> Result<(Millis, Decimetres), String> {
        let work = work(&self.repeats, self.total)?;
        if let Some(says) = odd_day(&self.day, today) {
            return Err(says);
        }
        if let Some(found) = self.unlikely()?
            && found.beyond == Beyond::Fastest
        {
            return Err(found.asked());
        }
        if self.rate_half_spm.is_some_and(|rate| !(1..=limits::RATE_MAX_HALF_SPM).contains(&rate.0))
        {
            let most = limits::RATE_MAX_HALF_SPM / 2;
            return Err(format!("A stroke rate is more than nothing and at most {most}."));
        }
        if let Some(machine) = &self.machine {
            checked_machine(machine)?;
        }
        checked_title(&self.title)?;
        Ok(work)
    }

    /// What is doubtful about it, if anything is.
    ///
    /// # Errors
    /// One sentence: the piece or the result is none.
    pub fn unlikely(&self) -> Result<Option<Unlikely>, String> {
        let (time_ms, distance_dm) = work(&self.repeats, self.total)?;
        Ok(plausible::unlikely(&Claim { repeats: self.repeats.clone(), time_ms, distance_dm }))
    }

    /// The finish as it is shown.
    #[must_use]
    pub fn shown(&self) -> Total {
        standings::as_shown(self.total)
    }
}

/// Work time and work distance of a whole piece.
///
/// # Errors
/// One sentence: the piece or the result is none.
pub fn work(repeats: &[Repeat], total: Total) -> Result<(Millis, Decimetres), String> {
    let piece = PieceSpec::of(repeats.to_vec());
    limits::check_piece(&piece).map_err(|refusal| refusal.says)?;
    let nothing =
        || "The result is nothing: leave the line out, or write what was rowed.".to_owned();
    match (Measure::of(&piece), total) {
        (_, Total::Time { finish_ms: Millis(0) })
        | (_, Total::Distance { distance_dm: Decimetres(0) }) => Err(nothing()),
        (Some(Measure::Distance(whole)), Total::Time { finish_ms }) => {
            if finish_ms > limits::DAY {
                return Err("A result is at most 24 hours.".to_owned());
            }
            Ok((finish_ms, whole))
        }
        (Some(Measure::Time(whole)), Total::Distance { distance_dm }) => {
            if distance_dm > limits::WORK_DISTANCE_MAX {
                let most = distance_text(limits::WORK_DISTANCE_MAX);
                return Err(format!("A result is at most {most}."));
            }
            Ok((whole, distance_dm))
        }
        (Some(Measure::Distance(_)), Total::Distance { .. }) => {
            Err("The piece is by distance: its result is a time, such as 7:42.3.".to_owned())
        }
        (Some(Measure::Time(_)), Total::Time { .. }) => {
            Err("The piece is by time: its result is a distance, such as 4120m.".to_owned())
        }
        (None, _) => Err("A piece is all by distance or all by time.".to_owned()),
    }
}

/// A piece as people write it, `2000m`, `6x350m/1:15`, also with spaces.
///
/// # Errors
/// One sentence: what to write.
pub fn read_piece(typed: &str) -> Result<Vec<Repeat>, String> {
    let typed: String = typed.split_whitespace().collect::<String>().to_lowercase();
    let repeats = typed::repeats(&typed)?;
    limits::check_piece(&PieceSpec::of(repeats.clone())).map_err(|refusal| refusal.says)?;
    Ok(repeats)
}

/// What was rowed of a piece, as people write it: a time as `7:42.3`, `0:07:42.3`, `7:42,3` or in seconds as `462.3`; a distance
/// as `4120m` or in metres as `4120`.
///
/// # Errors
/// One sentence: what to write.
pub fn read_total(typed: &str, repeats: &[Repeat]) -> Result<Total, String> {
    let text: String = typed.split_whitespace().collect::<String>().to_lowercase();
    // Half of the world writes tenths behind a comma; a comma before three figures may stand between thousands.
    let text = match text.split_once(',') {
        Some((whole, behind)) if behind.chars().take_while(char::is_ascii_digit).count() != 3 => {
            format!("{whole}.{behind}")
        }
        Some(_) => {
            return Err(format!(
                "\"{typed}\" may be thousands or thousandths: write it with a point, or without the comma."
            ));
        }
        None => text,
    };
    let bare = plain_number(&text);
    match Measure::of(&PieceSpec::of(repeats.to_vec())) {
        Some(Measure::Time(_)) => {
            let distance_dm = match bare {
                Some(metres) => Ok(decimetres(metres * 1e1)),
                None => distance(&text),
            };
            let wrong = |_| format!("\"{typed}\" is no distance: write it as 4120m.");
            Ok(Total::Distance { distance_dm: distance_dm.map_err(wrong)? })
        }
        Some(Measure::Distance(_)) | None => {
            let finish_ms = match bare {
                Some(seconds) => Ok(millis(seconds * 1e3)),
                None => duration(&text),
            };
            let wrong = |_| format!("\"{typed}\" is no time: write it as 7:42.3.");
            Ok(Total::Time { finish_ms: finish_ms.map_err(wrong)? })
        }
    }
}

/// Digits with at most one point between them, below what 32 bits hold of a thousandth.
pub(crate) fn plain_number(text: &str) -> Option<f64> {
    let digit = |c: char| c.is_ascii_digit();
    let is_plain = text.starts_with(digit)
        && text.ends_with(digit)
        && text.chars().all(|c| c.is_ascii_digit() || c == '.');
    let number: f64 = is_plain.then(|| text.parse().ok()).flatten()?;
    (number < 4e6).then_some(number)
}

/// A kind of machine as it is kept.
///
/// # Errors
/// One sentence: what is wrong with it.
pub(crate) fn checked_machine(machine: &str) -> Result<(), String> {
    let length = machine.chars().count();
    if machine.trim() != machine || !(1..=MACHINE_MAX).contains(&length) || !is_one_line(machine) {
        return Err(format!(
            "A kind of machine is a word or two, at most {MACHINE_MAX} characters."
        ));
    }
    Ok(())
}

/// A title as it is kept.
///
/// # Errors
/// One sentence: what is wrong with it.
pub(crate) fn checked_title(title: &str) -> Result<(), String> {
    if title.chars().count() > limits::TITLE_MAX || !is_one_line(title) {
        let most = limits::TITLE_MAX;
        return Err(format!("A title is one line of at most {most} characters."));
    }
    Ok(())
}

fn is_one_line(text: &str) -> bool {
    !text.chars().any(char::is_control) && name::check(text).is_ok()
}

/// `7:42.3`, `4120m`.
#[must_use]
pub fn total_words(total: Total) -> String {
    match total {
        Total::Time { finish_ms } => time_text(finish_ms, Tenths::Always),
        Total::Distance { distance_dm } => distance_text(distance_dm),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(typed: &str, piece: &str) -> String {
        let piece = read_piece(piece).unwrap();
        read_total(typed, &piece).map_or_else(|says| says, |total| format!("{total:?}"))
    }

    #[test]
    fn a_result_is_read_as_people_write_it() {
        for same in ["7:42.3", "0:07:42.3", "462.3", "7:42,3", "07:42.3", "462,3", " 7:42.3 "] {
            assert_eq!(read(same, "2000 m"), "Time { finish_ms: Millis(462300) }", "{same}");
        }
        for same in ["4120m", "4120", "4.12km", "4120 m", "4120,0"] {
            assert_eq!(
                read(same, "20min"),
                "Distance { distance_dm: Decimetres(41200) }",
                "{same}"
            );
        }
        for (wrong, piece) in [
            ("7:72", "2000m"),
            ("2000m", "2000m"),
            ("-7:42", "2000m"),
            ("", "2000m"),
            ("1e9", "2000m"),
            ("7:42", "20min"),
            ("nan", "2000m"),
            ("9".repeat(400).as_str(), "2000m"),
        ] {
            assert!(read(wrong, piece).contains("write it as"), "{wrong}: {}", read(wrong, piece));
        }
        assert!(read("4,120", "20min").contains("thousands or thousandths"));
        assert_eq!(read_piece("6 x 350m / 1:15").unwrap().len(), 6);
        assert!(read_piece("50m").is_err() && read_piece("61x500m/1:00").is_err());
    }

    #[test]
    fn what_nobody_can_have_rowed_is_refused() {
        let today: ClubDay = "2026-11-30".parse().unwrap();
        let rowed = |day: &str, result: &str| Rowed {
            day: day.parse().unwrap(),
            repeats: read_piece("2000m").unwrap(),
            total: read_total(result, &read_piece("2000m").unwrap()).unwrap(),
            rate_half_spm: None,
            machine: None,
            title: String::new(),
        };
        assert_eq!(
            rowed("2026-11-30", "7:42.3").work(&today),
            Ok((Millis(462_300), Decimetres(20_000)))
        );
        assert!(rowed("2026-12-01", "7:42.3").work(&today).unwrap_err().contains("in the future"));
        let ago = rowed("1800-11-30", "7:42.3").work(&today);
        assert!(ago.unwrap_err().contains("is the year right?"));
        let fast = rowed("2026-11-30", "1:45").work(&today);
        assert!(fast.unwrap_err().contains("Meant: 1:45.0 a 500 m, which is 7:00.0?"));
        assert!(rowed("2026-11-30", "16:01").work(&today).is_ok(), "slow is nobody's error");
        assert!(rowed("2026-11-30", "0").work(&today).unwrap_err().contains("nothing"));
        assert!(rowed("2026-11-30", "25:00:00").work(&today).unwrap_err().contains("24 hours"));
        let fast = Rowed { rate_half_spm: Some(HalfSpm(141)), ..rowed("2026-11-30", "7:42.3") };
        assert!(fast.work(&today).is_err());
        let odd = Rowed { title: "two\nlines".to_owned(), ..rowed("2026-11-30", "7:42.3") };
        assert!(odd.work(&today).is_err());
    }
}
