//! When two names are the same, when one looks like another, and which text can be read at all (Unicode Technical
//! Reports 36 and 39).

use thole_protocol::{
    order::Order,
    refusal::{Refusal, Why},
    spec::{AthleteSpec, Audience, CallText, PieceSpec},
};
use unicode_normalization::UnicodeNormalization;
use unicode_script::{Script, UnicodeScript};
use unicode_security::{MixedScript, confusable_detection::skeleton};

const NON_JOINER: char = '\u{200c}';
const JOINER: char = '\u{200d}';

/// A name without what does not tell people apart: capitals, spaces, invisible characters, and variant forms of
/// a letter.
///
/// ```
/// use thole_piece::name::folded;
/// assert_eq!(folded(" Ana  Lima "), folded("ＡＮＡ lima"));
/// assert_ne!(folded("Ana"), folded("Anna"));
/// ```
#[must_use]
pub fn folded(name: &str) -> String {
    // By way of capitals, so that letters with two lower-case forms become one.
    let plain: String = name.nfkc().filter(|c| !is_ignorable(*c)).collect();
    let plain: String = plain.to_uppercase().to_lowercase().nfkc().collect();
    plain.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// What names that could be mistaken for each other at a glance have in common: in lower case, in capitals and as
/// written.
#[must_use]
pub fn looks(name: &str) -> [String; 3] {
    let small = folded(name);
    let large = small.to_uppercase();
    let written = name.split_whitespace().collect::<Vec<_>>().join(" ");
    [
        skeleton(&small).collect(),
        skeleton(&large).chain(['\n']).collect(),
        skeleton(&written).chain(['\n'; 2]).collect(),
    ]
}

/// Whether one of its words mixes scripts that nobody writes together: most likely meant to look like another
/// name.
#[must_use]
pub fn is_mixed(name: &str) -> bool {
    name.split_whitespace().any(|word| !word.is_single_script())
}

/// Whether a text that people are to read is visible and keeps to its place; an empty one passes.
///
/// # Errors
/// `OutOfRange` with what is wrong.
pub fn check(text: &str) -> Result<(), Refusal> {
    let refused = |says: &str| Err(Refusal { why: Why::OutOfRange, says: says.to_owned() });
    if text.chars().any(is_reordering) {
        return refused(
            "A text must not have characters that reverse its direction: type it again.",
        );
    }
    if !text.is_empty() && !text.chars().any(is_seen) {
        return refused("This text shows nothing: type it again.");
    }
    let letters: Vec<char> = text.chars().collect();
    let stray = |at: usize, c: char| match c {
        NON_JOINER | JOINER => !joins(letters.get(..at), letters.get(at + 1..)),
        c if is_variation(c) => at == 0,
        // Line and paragraph separators, and interlinear annotation marks, which no field shows.
        '\u{2028}' | '\u{2029}' | '\u{fff9}'..='\u{fffb}' => true,
        c => is_ignorable(c),
    };
    if letters.iter().enumerate().any(|(at, c)| stray(at, *c)) {
        return refused("A text must not have invisible characters: type it again.");
    }
    Ok(())
}

/// The same for everything in an order that people will read.
///
/// # Errors
/// `OutOfRange` with what is wrong.
pub fn check_order(order: &Order) -> Result<(), Refusal> {
    match order {
        Order::ChangeAthlete { spec, .. } => check_athlete(spec),
        Order::SetPieces { pieces } => pieces.iter().try_for_each(check_piece),
        Order::PrepareCalls { calls } => calls.iter().try_for_each(check_call),
        Order::Call { call } => {
            check_call(&call.text)?;
            match &call.audience {
                Audience::Team { team } => check(team),
                Audience::All | Audience::Behind | Audience::Picked { .. } => Ok(()),
            }
        }
        Order::Reopen { reason, .. }
        | Order::CorrectResult { reason, .. }
        | Order::CorrectTarget { reason, .. }
        | Order::Exclude { reason, .. }
        | Order::Unrank { reason, .. } => check(reason),
        Order::Settings { .. }
        | Order::MakeOfficial { .. }
        | Order::Undo { .. }
        | Order::RemoveAthlete { .. }
        | Order::Aim { .. }
        | Order::Arm
        | Order::Disarm
        | Order::Start
        | Order::FalseStart
        | Order::NextRepeat
        | Order::Stop
        | Order::Close
        | Order::NextPiece
        | Order::CloseSession
        | Order::TakeBack { .. } => Ok(()),
    }
}

/// The same for name and team.
///
/// # Errors
/// `OutOfRange` with what is wrong.
pub fn check_athlete(spec: &AthleteSpec) -> Result<(), Refusal> {
    check(&spec.name)?;
    spec.team.as_deref().map_or(Ok(()), check)
}

fn check_piece(piece: &PieceSpec) -> Result<(), Refusal> {
    check(&piece.title)?;
    piece.call_sheet.iter().try_for_each(|entry| check_call(&entry.text))
}

fn check_call(text: &CallText) -> Result<(), Refusal> {
    check(&text.shown)?;
    check(&text.spoken)
}

/// Bidi_Control, which never changes (Unicode Standard Annex 9).
fn is_reordering(c: char) -> bool {
    matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

fn is_variation(c: char) -> bool {
    matches!(c, '\u{180b}'..='\u{180d}' | '\u{180f}' | '\u{fe00}'..='\u{fe0f}')
}

/// Default_Ignorable_Code_Point: characters that show nothing where they are not supported.
pub(crate) fn is_ignorable(c: char) -> bool {
    matches!(c,
        '\u{ad}' | '\u{34f}' | '\u{61c}' | '\u{115f}'..='\u{1160}' | '\u{17b4}'..='\u{17b5}'
        | '\u{180b}'..='\u{180f}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}' | '\u{3164}' | '\u{fe00}'..='\u{fe0f}' | '\u{feff}' | '\u{ffa0}'
        | '\u{fff0}'..='\u{fff8}' | '\u{1bca0}'..='\u{1bca3}' | '\u{1d173}'..='\u{1d17a}'
        | '\u{e0000}'..='\u{e0fff}')
}

/// Whether it can be seen on its own. A mark without a letter and the empty Braille cell cannot.
fn is_seen(c: char) -> bool {
    let is_empty = c.is_whitespace() || c.is_control() || is_ignorable(c) || c == '\u{2800}';
    !is_empty && !unicode_normalization::char::is_combining_mark(c)
}

/// Whether a joiner stands inside a word of a script that is written with joiners, or inside an emoji made of
/// several.
fn joins(before: Option<&[char]>, after: Option<&[char]>) -> bool {
    let seen = |c: &&char| is_seen(**c) || unicode_normalization::char::is_combining_mark(**c);
    let one = before.and_then(|before| before.iter().rev().take(3).find(seen));
    let other = after.and_then(|after| after.iter().take(1).find(seen));
    let (Some(one), Some(other)) = (one, other) else { return false };
    let needs = |c: char| {
        !matches!(
            c.script(),
            Script::Latin
                | Script::Greek
                | Script::Cyrillic
                | Script::Armenian
                | Script::Georgian
                | Script::Hebrew
                | Script::Han
                | Script::Hiragana
                | Script::Katakana
                | Script::Hangul
                | Script::Bopomofo
                | Script::Thai
        )
    };
    let plain = |c: char| c.is_ascii() || c.is_numeric();
    [*one, *other].into_iter().all(|c| needs(c) && !plain(c))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_nobody_sees_is_no_name_and_what_turns_the_line_is_refused() {
        for nothing in
            ["\u{200b}", " \u{3164} ", "\u{2800}", "\u{ad}\u{feff}", "\u{301}", "\u{e0041}"]
        {
            assert!(check(nothing).is_err(), "{nothing:?}");
        }
        for turns in ["Ana\u{202e}miL", "\u{2067}Ana", "Ana\u{200f}"] {
            assert!(check(turns).is_err(), "{turns:?}");
        }
        for hides in ["An\u{200b}a", "An\u{200d}a", "Ana\u{200d}", "Bo\u{ad}"] {
            assert!(check(hides).is_err(), "{hides:?}");
        }
    }

    /// Persian and Hindi names, and emoji, are written with joiners inside.
    #[test]
    fn joiners_stay_where_a_script_is_written_with_them() {
        for name in [
            "علی\u{200c}رضا",
            "क्\u{200d}ष",
            "👩\u{200d}🚣",
            "🚣🏽\u{200d}♀\u{fe0f}",
            "Zoë",
            "Нина",
            "王伟",
            "",
        ] {
            assert_eq!(check(name), Ok(()), "{name:?}");
        }
    }

    #[test]
    fn names_that_differ_in_nothing_that_is_seen_are_one() {
        let ana = folded("Ana Lima");
        for same in ["ana lima", " Ana  Lima ", "ＡＮＡ ＬＩＭＡ", "Ana\u{a0}Lima", "ANA LIMA"]
        {
            assert_eq!(folded(same), ana, "{same:?}");
        }
        assert_eq!(folded("Zoe\u{308}"), folded("Zoë"));
        assert_eq!(folded("Σίσυφος"), folded("ΣΊΣΥΦΟΣ"));
        assert_ne!(folded("Zoe"), folded("Zoë"));
    }

    #[test]
    fn names_that_are_taken_for_each_other_share_their_looks() {
        let alike =
            |one: &str, other: &str| looks(one).iter().any(|look| looks(other).contains(look));
        // The second of each pair is in another script, partly or wholly.
        assert!(alike("Ana", "Аnа") && alike("BOPOH", "ВОРОН") && alike("Paul1", "Paull"));
        assert!(!alike("Ana", "Anna") && !alike("Ana", "Bo"));
        assert!(is_mixed("Аna") && !is_mixed("Нина") && !is_mixed("王 Wei"));
    }
}
