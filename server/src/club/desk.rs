//! Where the club is asked from outside: a bounded number of questions at once, on threads that may wait for the disk.

use std::{
    path::Path,
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use tokio::{
    sync::{OwnedSemaphorePermit, Semaphore},
    task::spawn_blocking,
    time::timeout,
};

use super::store::{ClubError, Store, file};

/// So many questions at once: each has a connection to the file, and a machine of two cores gains nothing by more.
const AT_ONCE: usize = 4;
/// Whoever waits longer for a turn is told to come back: a page is not to hang.
const TURN_WAIT: Duration = Duration::from_secs(2);
/// So many tables are in memory at once, each of some megabytes.
const TABLES: usize = 1;
/// Whoever waits longer for that turn is told to come back.
const TABLE_TURN_WAIT: Duration = Duration::from_secs(20);

/// Connections to the club's file, opened when they are needed.
#[derive(Debug)]
pub struct Desk {
    places: Arc<Semaphore>,
    idle: Arc<Mutex<Vec<Store>>>,
    tables: Arc<Semaphore>,
}

impl Default for Desk {
    fn default() -> Desk {
        let semaphore = |places| Arc::new(Semaphore::new(places));
        Desk { places: semaphore(AT_ONCE), idle: Arc::default(), tables: semaphore(TABLES) }
    }
}

impl Desk {
    /// Waits for a turn to have a table in memory, until it is dropped.
    ///
    /// # Errors
    /// There is no turn for too long.
    pub async fn table(&self) -> Result<OwnedSemaphorePermit, ClubError> {
        let place = timeout(TABLE_TURN_WAIT, self.tables.clone().acquire_owned()).await;
        let place = place.ok().and_then(Result::ok);
        place.ok_or_else(|| ClubError::Store("another table is being read".to_owned()))
    }

    /// Asks the club of a data folder. It is not made by asking: a server whose club could not be opened has none.
    ///
    /// # Errors
    /// There is no turn for too long, or the file cannot be used.
    pub async fn ask<T: Send + 'static>(
        &self,
        data: &Path,
        question: impl FnOnce(&mut Store) -> T + Send + 'static,
    ) -> Result<T, ClubError> {
        let place = timeout(TURN_WAIT, self.places.clone().acquire_owned()).await;
        let busy = |_| ClubError::Store("too many ask at once".to_owned());
        let place: OwnedSemaphorePermit = place
            .map_err(|error| busy(error.to_string()))?
            .map_err(|error| busy(error.to_string()))?;
        let (idle, data) = (self.idle.clone(), data.to_owned());
        let asked = spawn_blocking(move || {
            let _place = place;
            let kept = idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
            // Another program may have renamed the club; and a connection that fails is opened anew.
            let kept = kept.and_then(|mut store| store.refresh().is_ok().then_some(store));
            let mut store = match kept {
                Some(store) => store,
                None if file(&data).exists() => Store::open(&data)?,
                None => return Err(ClubError::Store("there is none".to_owned())),
            };
            let answer = question(&mut store);
            // One that could not even be rolled back is closed, which rolls it back, and opened anew by the next.
            if !store.is_at_rest() {
                return Ok(answer);
            }
            idle.lock().unwrap_or_else(PoisonError::into_inner).push(store);
            Ok(answer)
        });
        asked.await.map_err(|bug| ClubError::Store(bug.to_string()))?
    }
}
