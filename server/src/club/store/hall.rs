//! Devices of the hall: each lies by a machine, is nobody's, and comes in by a card and a key as a person's does.

use rusqlite::params;
use thole_club::{
    Doer,
    person::{checked_name, folded},
};
use thole_protocol::club::{HallDevice, KeyId};

use super::{ClubError, Store, cards::CARD_LIVES_MS, keys::id, queries, writing};
use crate::secret::{SecretHash, random_uuid};

/// Devices of the hall, at most: one for each machine of a very large one.
const HALL_MAX: usize = 200;

impl Store {
    /// The devices of the hall, by their names.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn hall_devices(&self) -> Result<Vec<HallDevice>, ClubError> {
        let club = self.club.club.to_string();
        let mut select = self.connection.prepare_cached(queries::HALL_DEVICES)?;
        let mut rows = select.query([club])?;
        let mut devices = Vec::new();
        while let Some(row) = rows.next()? {
            devices.push(HallDevice {
                device: id(&row.get::<_, String>(0)?)?,
                called: row.get(1)?,
                is_let_in: row.get(3)?,
                last_unix_ms: row.get::<_, Option<i64>>(4)?.map(i64::cast_unsigned),
            });
        }
        Ok(devices)
    }

    /// Adds a device of the hall, whose card has this secret; with it the last instant at which that can be used.
    ///
    /// # Errors
    /// It is no name, one is called so already, there are too many, or it cannot be written.
    pub fn add_hall_device(
        &mut self,
        called: &str,
        card: SecretHash,
        doer: &Doer,
    ) -> Result<(HallDevice, u64), ClubError> {
        let called = checked_name(called).map_err(ClubError::Refused)?;
        let (club, now) = (self.club.club.to_string(), doer.at_unix_ms);
        let name = folded(&called);
        let there = self.hall_devices()?;
        if there.iter().any(|device| folded(&device.called) == name) {
            return Err(ClubError::Refused(format!(
                "A device of the hall is called {called} already: end that one first, or give this one another name."
            )));
        }
        if there.len() >= HALL_MAX {
            return Err(ClubError::Refused(format!(
                "A hall has at most {HALL_MAX} devices: end those that are not used."
            )));
        }
        let (device, until) = (KeyId(random_uuid()), now + CARD_LIVES_MS);
        let (id, at) = (device.to_string(), now.cast_signed());
        let transaction = writing(&mut self.connection)?;
        let named = params![club, id, called, name, doer.who, at];
        transaction.execute(queries::NEW_HALL_DEVICE, named)?;
        let card_id = KeyId(random_uuid()).to_string();
        let named = params![club, card_id, id, card.to_hex(), doer.who, at, until.cast_signed()];
        transaction.execute(queries::NEW_HALL_CARD, named)?;
        transaction.commit()?;
        Ok((HallDevice { device, called, last_unix_ms: None, is_let_in: false }, until))
    }

    /// Ends a device of the hall: its key and its card open nothing any more; false when there is none like that.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn end_hall_device(&mut self, device: KeyId, now_unix_ms: u64) -> Result<bool, ClubError> {
        let (club, device) = (self.club.club.to_string(), device.to_string());
        let named = params![now_unix_ms.cast_signed(), club, device];
        let transaction = writing(&mut self.connection)?;
        let ended = transaction.execute(queries::END_HALL_DEVICE, named)?;
        transaction.execute(queries::END_KEYS_OF_HALL, named)?;
        transaction.execute(queries::END_CARDS_OF_HALL, named)?;
        transaction.commit()?;
        self.has_ended();
        Ok(ended > 0)
    }
}
