//! What keys open.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 2] =
    [("key by its hash", KEY_BY_HASH), ("person by identity", PERSON)];

/// Nothing of a key that was ended.
pub(in crate::club) const KEY_BY_HASH: &str = "
    SELECT k.key, k.person, k.coach, c.role, c.called FROM key AS k
    LEFT JOIN coach AS c ON c.club = k.club AND c.coach = k.coach
    WHERE k.club = $1 AND k.hash = $2 AND k.ended_unix_ms IS NULL AND c.until_day IS NULL";

pub(in crate::club) const PERSON: &str =
    "SELECT person, called, born_year, merged_into FROM person WHERE club = $1 AND person = $2";
