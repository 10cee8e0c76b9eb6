//! What a change names as it was read: `ETag` and `If-Match` (RFC 9110 sections 8.8.3 and 13.1.1), so that of two who change the
//! same at once the second one looks again.

use axum::http::{HeaderMap, header};
use data_encoding::HEXLOWER;
use sha2::{Digest, Sha256};
use thole_protocol::club::{Problem, ProblemKind};

/// Bytes of the hash that a tag has: two answers that somebody has read do not have the same by chance.
const TAG_BYTES: usize = 16;

/// What names an answer: another one has another tag.
pub(super) fn etag(text: &str) -> String {
    let hash = Sha256::digest(text.as_bytes());
    let hash = hash.get(..TAG_BYTES).unwrap_or(&hash);
    format!("\"{}\"", HEXLOWER.encode(hash))
}

/// What a request says in `If-Match`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum IfMatch {
    /// Nothing.
    Unsaid,
    /// `*`: whatever is there now.
    Any,
    /// One of these tags; and whether there were weak ones among them, which never match.
    OneOf { tags: Vec<String>, had_weak: bool },
}

impl IfMatch {
    /// As the headers of a request have it.
    ///
    /// # Errors
    /// It is no list of tags.
    pub(super) fn of(headers: &HeaderMap) -> Result<IfMatch, Problem> {
        let lines = headers.get_all(header::IF_MATCH).iter().map(|line| line.to_str());
        let lines = lines.collect::<Result<Vec<&str>, _>>().map_err(|_| unreadable())?;
        match lines.as_slice() {
            [] => Ok(IfMatch::Unsaid),
            [any] if any.trim() == "*" => Ok(IfMatch::Any),
            _ => one_of(&lines.join(",")).ok_or_else(unreadable),
        }
    }

    /// Whether what is there now is what was read.
    ///
    /// # Errors
    /// It is another by now, or nothing was said of what was read.
    pub(super) fn allows(&self, now: &str) -> Result<(), Problem> {
        match self {
            // `*` would be met by what nobody here has read, and so by what another coach has just written.
            IfMatch::Unsaid | IfMatch::Any => Err(Problem::of(
                ProblemKind::Unmatched,
                "Read it first, and send the `ETag` of that answer as `If-Match`: then nobody's change is lost. `*` is not taken.",
            )),
            IfMatch::OneOf { tags, .. } if tags.iter().any(|tag| tag == now) => Ok(()),
            IfMatch::OneOf { had_weak: true, .. } => Err(Problem::of(
                ProblemKind::Changed,
                "An `ETag` that begins with W/ is not taken as `If-Match`: a proxy on the way has made it one, most likely by compressing. Have it leave /api/ as it is, and read again.",
            )),
            IfMatch::OneOf { .. } => Err(Problem::of(
                ProblemKind::Changed,
                "It was changed since it was read: read it again, look whether the change is still wanted, and send it with the new `ETag`.",
            )),
        }
    }
}

fn one_of(list: &str) -> Option<IfMatch> {
    let (mut tags, mut had_weak, mut rest) = (Vec::new(), false, list.trim_start());
    while !rest.is_empty() {
        let (is_weak, tag) = match rest.strip_prefix("W/") {
            Some(tag) => (true, tag),
            None => (false, rest),
        };
        let inside = tag.strip_prefix('"')?;
        let (opaque, behind) = inside.split_once('"')?;
        if is_weak {
            had_weak = true;
        } else {
            tags.push(format!("\"{opaque}\""));
        }
        let behind = behind.trim_start();
        rest = match behind.strip_prefix(',') {
            // Empty places in a list mean nothing (section 5.6.1).
            Some(more) => more.trim_start_matches([' ', '\t', ',']),
            None if behind.is_empty() => "",
            None => return None,
        };
    }
    (had_weak || !tags.is_empty()).then_some(IfMatch::OneOf { tags, had_weak })
}

fn unreadable() -> Problem {
    let says =
        "`If-Match` cannot be read: send the `ETag` of what was read, with its quotation marks.";
    Problem::of(ProblemKind::Malformed, says)
}

#[cfg(test)]
mod tests {
    use axum::http::HeaderValue;

    use super::*;

    fn status(lines: &[&str], now: &str) -> u16 {
        let mut headers = HeaderMap::new();
        for line in lines {
            headers.append(header::IF_MATCH, HeaderValue::from_str(line).unwrap());
        }
        let allows = IfMatch::of(&headers).and_then(|said| said.allows(now));
        allows.map_or_else(|problem| problem.status, |()| 200)
    }

    #[test]
    fn a_change_is_made_to_what_was_read_and_to_nothing_else() {
        let now = etag("{}");
        assert_eq!((now.len(), now == etag("[]")), (34, false));
        let (listed, weak) = (format!("\"a,b\" , ,{now}"), format!("W/{now}"));
        for (lines, said) in [
            (&[now.as_str()][..], 200),
            (&[listed.as_str()], 200),
            (&["\"a\"", &now], 200),
            (&["\"a\""], 412),
            (&[weak.as_str()], 412),
            (&[weak.as_str(), &now], 200),
            (&[], 428),
            (&["*"], 428),
            (&["*", &now], 400),
            (&[""], 400),
            (&[now.trim_matches('"')], 400),
            (&["\"a\" \"b\""], 400),
            (&["\"a"], 400),
        ] {
            assert_eq!(status(lines, &now), said, "{lines:?}");
        }
    }
}
