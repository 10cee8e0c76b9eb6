//! What keys open, and how devices come to them.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 27] = [
    ("key by its hash", KEY_BY_HASH),
    ("person by identity", PERSON),
    ("key was here", KEY_WAS_HERE),
    ("new card", NEW_CARD),
    ("card by its hash", CARD_BY_HASH),
    ("use card", USE_CARD),
    ("new key", NEW_KEY),
    ("keys of a person", KEYS_OF_PERSON),
    ("cards of a person", CARDS_OF_PERSON),
    ("is a key of a person", IS_KEY_OF_PERSON),
    ("end key", END_KEY),
    ("end card", END_CARD),
    ("end keys of a person", END_KEYS_OF_PERSON),
    ("end cards of a person", END_CARDS_OF_PERSON),
    ("forget cards", FORGET_CARDS),
    ("coaches", COACHES),
    ("coach", COACH),
    ("new coach", NEW_COACH),
    ("end coach", END_COACH),
    ("end keys of a coach", END_KEYS_OF_COACH),
    ("coach by a key", COACH_BY_HASH),
    ("hall devices", HALL_DEVICES),
    ("new hall device", NEW_HALL_DEVICE),
    ("new card of the hall", NEW_HALL_CARD),
    ("end hall device", END_HALL_DEVICE),
    ("end keys of the hall", END_KEYS_OF_HALL),
    ("end cards of the hall", END_CARDS_OF_HALL),
];

/// Nothing of a key that was ended.
pub(in crate::club) const KEY_BY_HASH: &str = "
    SELECT k.key, k.person, k.coach, c.role, c.called, k.last_unix_ms, k.hall, h.called FROM key AS k
    LEFT JOIN coach AS c ON c.club = k.club AND c.coach = k.coach
    LEFT JOIN hall_device AS h ON h.club = k.club AND h.device = k.hall
    WHERE k.club = $1 AND k.hash = $2 AND k.ended_unix_ms IS NULL AND c.until_day IS NULL";

pub(in crate::club) const PERSON: &str = "SELECT person, called, born_year, merged_into, hall_name, going_unix_ms FROM person WHERE club = $1 AND person = $2";

pub(in crate::club) const KEY_WAS_HERE: &str =
    "UPDATE key SET last_unix_ms = $1 WHERE club = $2 AND key = $3";

/// The same once more changes nothing.
pub(in crate::club) const NEW_CARD: &str =
    "INSERT INTO card (club, card, person, hash, made_by, from_unix_ms, until_unix_ms)
     VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT (hash) DO NOTHING";

pub(in crate::club) const CARD_BY_HASH: &str = "
    SELECT c.card, c.person, c.until_unix_ms, c.ended_unix_ms, c.key, c.made_by, k.hash, k.ended_unix_ms,
        p.going_unix_ms IS NOT NULL, c.hall
    FROM card AS c
    LEFT JOIN key AS k ON k.club = c.club AND k.key = c.key
    LEFT JOIN person AS p ON p.club = c.club AND p.person = c.person
    WHERE c.club = $1 AND c.hash = $2";

pub(in crate::club) const USE_CARD: &str = "UPDATE card SET key = $1 WHERE club = $2 AND card = $3 AND key IS NULL AND ended_unix_ms IS NULL";

pub(in crate::club) const NEW_KEY: &str =
    "INSERT INTO key (club, key, person, coach, hash, device, from_unix_ms, made_by, hall)
     VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";

pub(in crate::club) const KEYS_OF_PERSON: &str = "
    SELECT k.key, k.device, k.from_unix_ms, k.last_unix_ms, k.made_by, c.called FROM key AS k
    LEFT JOIN coach AS c ON c.club = k.club AND c.coach = k.made_by
    WHERE k.club = $1 AND k.person = $2 AND k.ended_unix_ms IS NULL ORDER BY k.from_unix_ms, k.key";

/// Those that can still be used.
pub(in crate::club) const CARDS_OF_PERSON: &str = "
    SELECT d.card, d.from_unix_ms, d.until_unix_ms, d.made_by, c.called FROM card AS d
    LEFT JOIN coach AS c ON c.club = d.club AND c.coach = d.made_by
    WHERE d.club = $1 AND d.person = $2 AND d.key IS NULL AND d.ended_unix_ms IS NULL AND d.until_unix_ms >= $3
    ORDER BY d.from_unix_ms, d.card";

/// Whatever became of it.
pub(in crate::club) const IS_KEY_OF_PERSON: &str = "
    SELECT person FROM key WHERE club = $1 AND key = $2 AND person = $3
    UNION ALL SELECT person FROM card WHERE club = $1 AND card = $2 AND person = $3";

pub(in crate::club) const END_KEY: &str = "UPDATE key SET ended_unix_ms = $1 WHERE club = $2 AND key = $3 AND person = $4 AND ended_unix_ms IS NULL";

pub(in crate::club) const END_CARD: &str = "
    UPDATE card SET ended_unix_ms = $1
    WHERE club = $2 AND card = $3 AND person = $4 AND key IS NULL AND ended_unix_ms IS NULL AND until_unix_ms >= $1";

/// But the one that is named.
pub(in crate::club) const END_KEYS_OF_PERSON: &str = "UPDATE key SET ended_unix_ms = $1 WHERE club = $2 AND person = $3 AND key <> $4 AND ended_unix_ms IS NULL";

pub(in crate::club) const END_CARDS_OF_PERSON: &str = "
    UPDATE card SET ended_unix_ms = $1
    WHERE club = $2 AND person = $3 AND key IS NULL AND ended_unix_ms IS NULL AND until_unix_ms >= $1";

pub(in crate::club) const FORGET_CARDS: &str =
    "DELETE FROM card WHERE club = $1 AND until_unix_ms < $2";

pub(in crate::club) const COACHES: &str = "
    SELECT c.coach, c.called, c.role, c.from_day,
        (SELECT max(k.last_unix_ms) FROM key AS k WHERE k.club = c.club AND k.coach = c.coach)
    FROM coach AS c WHERE c.club = $1 AND c.until_day IS NULL ORDER BY c.coach";

pub(in crate::club) const COACH: &str = "SELECT coach, called, role, from_day, NULL FROM coach WHERE club = $1 AND coach = $2 AND until_day IS NULL";

pub(in crate::club) const NEW_COACH: &str =
    "INSERT INTO coach (club, coach, called, role, from_day) VALUES ($1, $2, $3, $4, $5)";

pub(in crate::club) const END_COACH: &str =
    "UPDATE coach SET until_day = $1 WHERE club = $2 AND coach = $3 AND until_day IS NULL";

pub(in crate::club) const END_KEYS_OF_COACH: &str =
    "UPDATE key SET ended_unix_ms = $1 WHERE club = $2 AND coach = $3 AND ended_unix_ms IS NULL";

/// Whose link this is, if it opens something.
pub(in crate::club) const COACH_BY_HASH: &str = "
    SELECT c.coach, c.called, c.role, c.from_day, k.last_unix_ms FROM key AS k
    JOIN coach AS c ON c.club = k.club AND c.coach = k.coach
    WHERE k.club = $1 AND k.hash = $2 AND k.ended_unix_ms IS NULL AND c.until_day IS NULL";

pub(in crate::club) const HALL_DEVICES: &str = "
    SELECT h.device, h.called, h.folded, k.key IS NOT NULL, k.last_unix_ms FROM hall_device AS h
    LEFT JOIN key AS k ON k.club = h.club AND k.hall = h.device AND k.ended_unix_ms IS NULL
    WHERE h.club = $1 AND h.ended_unix_ms IS NULL ORDER BY h.folded, h.device";

pub(in crate::club) const NEW_HALL_DEVICE: &str = "INSERT INTO hall_device (club, device, called, folded, made_by, from_unix_ms) VALUES ($1, $2, $3, $4, $5, $6)";

pub(in crate::club) const NEW_HALL_CARD: &str = "INSERT INTO card (club, card, hall, hash, made_by, from_unix_ms, until_unix_ms) VALUES ($1, $2, $3, $4, $5, $6, $7)";

pub(in crate::club) const END_HALL_DEVICE: &str = "UPDATE hall_device SET ended_unix_ms = $1 WHERE club = $2 AND device = $3 AND ended_unix_ms IS NULL";

pub(in crate::club) const END_KEYS_OF_HALL: &str =
    "UPDATE key SET ended_unix_ms = $1 WHERE club = $2 AND hall = $3 AND ended_unix_ms IS NULL";

pub(in crate::club) const END_CARDS_OF_HALL: &str = "
    UPDATE card SET ended_unix_ms = $1 WHERE club = $2 AND hall = $3 AND key IS NULL AND ended_unix_ms IS NULL";
