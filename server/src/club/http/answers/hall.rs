//! Devices of the hall.

use thole_protocol::club::{Ended, HallCard, Problem, spoken};

use super::{Asked, none};
use crate::{club::store::Store, secret::new_secret};

pub(super) fn add(
    store: &mut Store,
    asked: Asked<spoken::AddHallDevice>,
) -> Result<HallCard, Problem> {
    let secret = new_secret();
    let (device, until_unix_ms) =
        store.add_hall_device(&asked.body.called, secret.hash(), &asked.doer())?;
    Ok(HallCard { device, secret: secret.reveal(), until_unix_ms })
}

pub(super) fn end(
    store: &mut Store,
    asked: Asked<spoken::EndHallDevice>,
) -> Result<Ended, Problem> {
    if store.end_hall_device(asked.path, asked.at_unix_ms)? {
        Ok(Ended { ended: 1 })
    } else {
        Err(none("device"))
    }
}
