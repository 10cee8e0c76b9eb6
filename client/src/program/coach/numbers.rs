//! Numbers of calls and of rulings: shown by their beginning, and typed by as much of it as tells them apart.

use thole::mirror::Mirror;
use thole_protocol::{
    event::{Event, Happening},
    ids::{CallId, CommandId},
    standing::PieceView,
};
use uuid::Uuid;

/// So much of a number is shown: in one session that tells all of them apart.
const SHOWN: usize = 8;
/// Shorter than this, what was typed is a slip rather than a beginning.
const SHORTEST: usize = 4;

/// A number as people are shown it; scripts get the whole.
pub(super) fn shown(number: Uuid) -> String {
    number.to_string().chars().take(SHOWN).collect()
}

/// The call that was typed.
///
/// # Errors
/// A sentence that says what to type.
pub(super) fn call(mirror: &Mirror, typed: &str) -> Result<CallId, String> {
    let calls: Vec<Uuid> = mirror.now().calls.iter().filter_map(call_of).map(|id| id.0).collect();
    let none = "its number is printed when it is sent; calls of an earlier piece are over";
    meant(typed, calls, "call", none).map(CallId)
}

/// What was ruled, of any piece of the session.
///
/// # Errors
/// A sentence that says what to type.
pub(super) fn ruling(mirror: &Mirror, typed: &str) -> Result<CommandId, String> {
    let rulings = mirror.now().pieces.iter().flat_map(rulings_of).map(|id| id.0).collect();
    meant(typed, rulings, "ruling", "results shows what stands, each with its number")
        .map(CommandId)
}

fn call_of(event: &Event) -> Option<CallId> {
    if let Happening::CallArmed { call, .. } = &event.what {
        return Some(*call);
    }
    if let Happening::CallSent(sent) = &event.what { Some(sent.call) } else { None }
}

fn rulings_of(view: &PieceView) -> impl Iterator<Item = CommandId> {
    let rulings = &view.rulings;
    let official = rulings.official.iter().map(|official| official.command);
    let reopened = rulings.reopened.iter().map(|reopened| reopened.command);
    let corrections = rulings.corrections.iter().map(|correction| correction.command);
    official.chain(reopened).chain(corrections)
}

/// The one number that begins so. A whole one is taken as it is: the server knows more of them than this program.
fn meant(typed: &str, mut known: Vec<Uuid>, what: &str, else_do: &str) -> Result<Uuid, String> {
    let typed = typed.trim().to_lowercase();
    if let Ok(whole) = Uuid::parse_str(&typed) {
        return Ok(whole);
    }
    known.sort_unstable();
    known.dedup();
    known.retain(|id| typed.len() >= SHORTEST && id.to_string().starts_with(&typed));
    match known.as_slice() {
        [one] => Ok(*one),
        [] => Err(format!("There is no {what} \"{typed}\": {else_do}.")),
        [..] => Err(format!("Several numbers begin with {typed}; type more of the one you mean.")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_typed_as_it_is_shown_or_by_what_tells_it_apart() {
        let id = |high: u128| Uuid::from_u128(high << 96);
        let known = vec![id(0x3f2a_91bc), id(0x3f2a_91bd), id(0x77), id(0x3f2a_91bc)];
        let read = |typed: &str| meant(typed, known.clone(), "ruling", "results shows them");
        assert_eq!(shown(id(0x3f2a_91bc)), "3f2a91bc");
        for same in ["3f2a91bc", " 3F2A91BC ", "3f2a91bc-0000"] {
            assert_eq!(read(same), Ok(id(0x3f2a_91bc)), "{same}");
        }
        // Twice in the list is not two.
        assert_eq!(read(&id(0x3f2a_91bc).to_string()), Ok(id(0x3f2a_91bc)));
        assert_eq!(read("0000"), Ok(id(0x77)));
        let unknown = Uuid::from_u128(5);
        assert_eq!(read(&unknown.to_string()), Ok(unknown), "the server says what it is");
        assert!(read("3f2a").unwrap_err().contains("Several numbers begin with 3f2a"));
        for slip in ["", "0", "000", "zzzz", "3f2a91be", "1"] {
            assert!(read(slip).unwrap_err().contains("There is no ruling"), "{slip}");
        }
    }
}
