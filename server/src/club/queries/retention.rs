//! How long what is kept, and what was let go.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 8] = [
    ("keeping", KEEPING),
    ("set keeping", SET_KEEPING),
    ("horizons", HORIZONS),
    ("new horizon", NEW_HORIZON),
    ("remove horizon", REMOVE_HORIZON),
    ("put let go", PUT_LET_GO),
    ("let go", LET_GO),
    ("set retention ran", SET_RETENTION_RAN),
];

pub(in crate::club) const KEEPING: &str = "
    SELECT keep_samples_days, keep_heart_rate_days, retention_ran_unix_ms FROM club WHERE club = $1";

pub(in crate::club) const SET_KEEPING: &str =
    "UPDATE club SET keep_samples_days = $1, keep_heart_rate_days = $2 WHERE club = $3";

/// The newest first.
pub(in crate::club) const HORIZONS: &str = "
    SELECT noted_unix_ms, strokes_before_unix_ms, heart_rate_before_unix_ms FROM horizon
    WHERE club = $1 ORDER BY noted_unix_ms DESC";

pub(in crate::club) const NEW_HORIZON: &str = "
    INSERT INTO horizon (club, noted_unix_ms, strokes_before_unix_ms, heart_rate_before_unix_ms)
    VALUES ($1, $2, $3, $4)";

pub(in crate::club) const REMOVE_HORIZON: &str =
    "DELETE FROM horizon WHERE club = $1 AND noted_unix_ms = $2";

pub(in crate::club) const PUT_LET_GO: &str = "
    INSERT INTO let_go (club, session, what, records, day) VALUES ($1, $2, $3, $4, $5)
    ON CONFLICT (club, session, what) DO UPDATE SET records = let_go.records + excluded.records, day = excluded.day";

/// Of how many sessions, how many records, and on which day the last of it went.
pub(in crate::club) const LET_GO: &str = "
    SELECT count(*), COALESCE(sum(records), 0), max(day) FROM let_go WHERE club = $1 AND what = $2";

pub(in crate::club) const SET_RETENTION_RAN: &str =
    "UPDATE club SET retention_ran_unix_ms = $1 WHERE club = $2";
