//! Doing once what is asked twice: whoever hears no answer asks again under the same `Idempotency-Key`, and is told what was
//! answered.

use axum::http::HeaderMap;
use data_encoding::HEXLOWER;
use sha2::{Digest, Sha256};
use thole_protocol::club::{Call, Problem, ProblemKind, Spoken};

use super::{Act, asked::Asked, told};
use crate::club::store::{AskedOnce, Before, NotKept, Reply, Store};

const HEADER: &str = "idempotency-key";
/// Characters of a key: an identity and some words.
const KEY_MAX: usize = 100;

/// The key of a request; `None` when it has none.
///
/// # Errors
/// It is none that can be kept, or there are several.
pub(super) fn key(headers: &HeaderMap) -> Result<Option<String>, Problem> {
    let mut lines = headers.get_all(HEADER).iter();
    let Some(line) = lines.next() else { return Ok(None) };
    let key = line.to_str().ok().map(str::trim);
    let is_plain = |key: &&str| {
        (1..=KEY_MAX).contains(&key.len()) && key.bytes().all(|byte| (b' '..=b'~').contains(&byte))
    };
    match (key.filter(is_plain), lines.next()) {
        (Some(key), None) => Ok(Some(key.to_owned())),
        _ => {
            let says = format!(
                "Send one `Idempotency-Key` of 1 to {KEY_MAX} plain characters, such as a random UUID, or none."
            );
            Err(Problem::of(ProblemKind::Malformed, says))
        }
    }
}

/// A hash of all that is asked, by which the same is known again.
pub(super) fn hash(call: Call, address: &str, body: &str) -> String {
    let mut hash = Sha256::new();
    for part in [call.name(), address, body] {
        // No text has such a byte, so no part is taken for another.
        hash.update(part.as_bytes());
        hash.update([0xff]);
    }
    HEXLOWER.encode(&hash.finalize())
}

/// Does it, unless it was done.
pub(super) fn done<S: Spoken>(
    store: &mut Store,
    mut asked: Asked<S>,
    act: Act<S>,
) -> Result<Reply, Problem> {
    let Some(once) = asked.once.take() else {
        return act(store, asked).map(|body| told::<S>(&body));
    };
    match store.asked_before(&once)? {
        Before::New => {}
        Before::Answered(told) => return Ok(told),
        Before::Done | Before::Blanked => return Err(was_done()),
        Before::Other => return Err(is_reused()),
    }
    let now = asked.at_unix_ms;
    let told = act(store, asked).map(|body| told::<S>(&body))?;
    // A secret is shown once.
    let kept = (!S::CALL.answers_with_secret()).then_some(&told);
    keep(store, &once, kept, now)?;
    Ok(told)
}

/// Keeps an answer, or that something is begun.
pub(super) fn keep(
    store: &mut Store,
    once: &AskedOnce,
    told: Option<&Reply>,
    now_unix_ms: u64,
) -> Result<(), Problem> {
    let says = match store.keep_answer(once, told, now_unix_ms)? {
        Ok(()) => return Ok(()),
        Err(NotKept::TooMany) => {
            "You have sent so many of them in two days that no more are kept: go on tomorrow, or without `Idempotency-Key`."
        }
        Err(NotKept::TooLong) => {
            "The answer is too long to be kept: ask without `Idempotency-Key`."
        }
    };
    Err(Problem::of(ProblemKind::TooMany, says))
}

pub(super) fn was_done() -> Problem {
    let says = "This was done when it was asked first; what was answered then is not kept. Read what is there now.";
    Problem::of(ProblemKind::Conflict, says)
}

pub(super) fn is_reused() -> Problem {
    let says = "This `Idempotency-Key` was sent with something else before: use a new one for each thing that is to be done.";
    Problem::of(ProblemKind::Reused, says)
}

#[cfg(test)]
mod tests {
    use axum::http::HeaderValue;

    use super::*;

    #[test]
    fn a_key_is_one_line_of_plain_characters() {
        let read = |lines: &[&[u8]]| {
            let mut headers = HeaderMap::new();
            for line in lines {
                headers.append(HEADER, HeaderValue::from_bytes(line).unwrap());
            }
            key(&headers).map_err(|problem| problem.status)
        };
        assert_eq!(read(&[]), Ok(None));
        assert_eq!(read(&[b" \"one of mine\" "]), Ok(Some("\"one of mine\"".to_owned())));
        for wrong in [&[&b""[..]][..], &[b"a", b"a"], &["ü".as_bytes()], &[&[b'a'; 101]]] {
            assert_eq!(read(wrong), Err(400), "{wrong:?}");
        }
        assert_ne!(hash(Call::AddPerson, "a", "b"), hash(Call::AddPerson, "ab", ""));
    }
}
