//! The task that deletes people whose time has come, and lets go of what was kept long enough (`retention`), at the start and every
//! hour. Of people first the list of what is gone says so, then their
//! records in the journals are erased, then their rows in the club, then what pages have kept of either. Wherever it ends in between,
//! the next start goes on from there.

use std::{
    fs, io,
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use thole_protocol::{
    club::Going,
    ids::{AthleteId, SessionId},
};
use tokio::{
    task::{JoinHandle, JoinSet, spawn_blocking},
    time::{Instant, sleep_until},
};

use super::{
    gone::{self, Gone, GoneId},
    reading, retention,
    store::{ClubError, Places, SeatLeft, Store},
};
use crate::{
    Server,
    journal::{Journal, JournalError, SessionRow},
    registry::Registry,
    session::Event,
};

/// So often it is looked who goes.
const LOOKS_EVERY: Duration = Duration::from_secs(3_600);
/// After a failure it is tried again so soon.
const AGAIN_AFTER: Duration = Duration::from_secs(60);
/// A session that was opened again while somebody in it was erased is closed in memory and erased again, so often at most.
const TIMES_MAX: u32 = 4;

/// Begins to delete whose time has come; the server's `leaves` has it look at once.
pub fn begin(server: &Arc<Server>) -> JoinHandle<()> {
    let server = server.clone();
    tokio::spawn(async move {
        loop {
            let data = server.settings.data.clone();
            let now = server.clock.unix_ms();
            let has_club = super::file(&data).exists();
            let looked = match has_club {
                true => look(&*server.journal, Some(&server), &data, now).await,
                false => Ok(Vec::new()),
            };
            if has_club {
                let let_go = retention::look(&*server.journal, Some(&server), &data, now).await;
                if let Err(error) = let_go {
                    tracing::error!(%error, "what has been kept long enough cannot be erased yet; it is tried again within the hour");
                }
            }
            let rest = match looked {
                Ok(_) => LOOKS_EVERY,
                Err(error) => {
                    tracing::error!(%error, "somebody who is to be deleted could not be deleted yet; it is tried again");
                    AGAIN_AFTER
                }
            };
            let next: Instant = server.clock.instant() + rest;
            tokio::select! {
                () = server.leaves.notified() => {}
                () = sleep_until(next) => {}
            }
        }
    })
}

/// Deletes everybody whose time has come; who waits for something is returned with it. `server` is the one that has sessions open, if
/// there is one.
///
/// # Errors
/// The club, a journal or the list of what is gone cannot be read or written; then it is to be tried again.
pub async fn look(
    journal: &dyn Journal,
    server: Option<&Arc<Server>>,
    data: &Path,
    now_unix_ms: u64,
) -> Result<Vec<Going>, ClubError> {
    let leaving = Leaving { journal, server, data: data.to_owned(), now_unix_ms };
    let due = leaving.with(move |store| {
        store.list_ended();
        // Of what was deleted before nothing may be left in pages.
        let _ = store.overwrite_traces()?;
        store.going_until(now_unix_ms)
    });
    let mut people: Vec<_> = due.await?.into_iter().map(|going| going.person).collect();
    let list = gone::file(data);
    let gone = Gone::read(&list).map_err(|error| ClubError::Store(error.to_string()))?;
    // Who was deleted before, and is there again: out of a copy that somebody has put in place by hand.
    let gone = gone.unwrap_or_default();
    let before = gone.all().filter_map(|(what, _)| match what {
        GoneId::Person(person) => Some(person),
        GoneId::Athlete(..) | GoneId::Result(_) | GoneId::Key(_) | GoneId::Consent(_) => None,
    });
    people.extend(before);
    people.sort_unstable();
    people.dedup();
    let mut failed = None;
    for person in people {
        let is_begun = gone.has(GoneId::Person(person));
        // One who cannot be deleted keeps no other.
        if let Err(error) = leaving.delete(person, is_begun).await {
            failed = Some(error);
        }
    }
    if let Some(error) = failed {
        return Err(error);
    }
    leaving.with(move |store| store.going_until(now_unix_ms)).await
}

/// What a conversion has kept has nothing that the journal has not, but for what is erased there now.
pub(super) fn remove_old_journal(data: &Path) -> Result<(), ClubError> {
    let kept = data.join("thole.db.v1");
    match fs::remove_file(&kept) {
        Ok(()) => {
            tracing::info!(removed = %kept.display(), "the journal of an older version is removed: something in it is erased");
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(ClubError::Store(format!("{}: {error}", kept.display()))),
    }
    let damaged = data.join("thole.db-wal.damaged-1");
    if damaged.exists() {
        tracing::warn!(kept = %damaged.display(), "a damaged write-ahead file is kept, and what is erased may be in it: remove it when it is not needed");
    }
    Ok(())
}

struct Leaving<'a> {
    journal: &'a dyn Journal,
    server: Option<&'a Arc<Server>>,
    data: PathBuf,
    now_unix_ms: u64,
}

impl Leaving<'_> {
    async fn delete(&self, person: thole_club::PersonId, is_begun: bool) -> Result<(), ClubError> {
        let places = self.with(move |store| store.places_of(person)).await?;
        if places.people.is_empty() {
            return Ok(());
        }
        if !is_begun {
            let waits = self.waits(&places).await?;
            let told = waits.clone();
            self.with(move |store| store.set_waits(person, told.as_deref())).await?;
            if waits.is_some() {
                tracing::warn!(
                    "somebody who is to be deleted is still in a session that is open: it waits for that"
                );
                return Ok(());
            }
        }
        let now = self.now_unix_ms;
        let places = self.with(move |store| store.begin_to_delete(person, now)).await?;
        let Some(places) = places else { return Ok(()) };
        let erased = self.erase(&places).await;
        erased.map_err(|error| ClubError::Store(error.to_string()))?;
        let sessions = places.seats.len();
        let is_overwritten = self
            .with(move |store| {
                let day = store.club().zone.day(now);
                store.delete_people(&places, &day)?;
                store.overwrite_traces()
            })
            .await?;
        remove_old_journal(&self.data)?;
        tracing::info!(sessions, "somebody was deleted: in the club and in the journals");
        if is_overwritten {
            return Ok(());
        }
        let why = "somebody is reading it, and not every trace is overwritten yet";
        Err(ClubError::Store(why.to_owned()))
    }

    /// What they wait for, as a sentence: strokes are erased only from what is closed and settled.
    async fn waits(&self, places: &Places) -> Result<Option<String>, ClubError> {
        let unread = |error: JournalError| ClubError::Store(error.to_string());
        for SeatLeft { session, .. } in &places.seats {
            let Some(row) = self.journal.session(*session).await.map_err(unread)? else {
                continue;
            };
            if row.closed_unix_ms.is_some() {
                if self.is_settled(&row).await? {
                    continue;
                }
                if let Some(server) = self.server {
                    // Its own task writes what is missing.
                    Registry::open(server, &row).await.map_err(unread)?;
                }
            }
            let created = row.created_unix_ms;
            let day = self.with(move |store| Ok(store.club().zone.day(created))).await?;
            let code = row.code.as_str();
            return Ok(Some(match row.closed_unix_ms {
                None => format!(
                    "The session of {day} with the code {code}, in which they have a seat, is still open: close it on its coach's page."
                ),
                Some(_) => format!(
                    "The last results of the session of {day} with the code {code} are still being settled: it goes on by itself."
                ),
            }));
        }
        Ok(None)
    }

    async fn is_settled(&self, row: &SessionRow) -> Result<bool, ClubError> {
        let read = reading::read(self.journal, row).await;
        let read = read.map_err(|error| ClubError::Store(error.to_string()))?;
        Ok(read.is_settled)
    }

    async fn erase(&self, places: &Places) -> Result<(), JournalError> {
        let seats = places.seats.iter();
        let mut left: Vec<(SessionId, AthleteId)> =
            seats.filter_map(|left| Some((left.session, left.athlete?))).collect();
        for _ in 0..TIMES_MAX {
            // A session that is in memory knows them; opened again it does not.
            for (session, _) in &left {
                self.ends(*session).await;
            }
            // All at once, so that the journal's file is not rewritten for each.
            let mut erasing = JoinSet::new();
            for (session, athlete) in &left {
                erasing.spawn(self.journal.erase(*session, *athlete));
            }
            while let Some(erased) = erasing.join_next().await {
                erased.map_err(|bug| JournalError::Read(bug.to_string()))??;
            }
            left.retain(|(session, _)| self.is_open(*session));
            if left.is_empty() {
                return Ok(());
            }
        }
        Err(JournalError::Read("a session is opened again and again".to_owned()))
    }

    fn is_open(&self, session: SessionId) -> bool {
        self.server.is_some_and(|server| server.registry.is_open(session))
    }

    async fn ends(&self, session: SessionId) {
        let handle = self.server.and_then(|server| server.registry.handle(session));
        let Some(handle) = handle else { return };
        // Its task may have ended by itself.
        let _ = handle.inbox.send(Event::Stop).await;
        let mut ended = handle.ended.clone();
        while ended.changed().await.is_ok() {}
    }

    /// Asks the store on a thread that may wait for the disk.
    async fn with<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&mut Store) -> Result<T, ClubError> + Send + 'static,
    ) -> Result<T, ClubError> {
        with(self.server, &self.data, ask).await
    }
}

/// Asks the store on a thread that may wait for the disk. The file is closed again before a server that stops is gone.
pub(super) async fn with<T: Send + 'static>(
    server: Option<&Arc<Server>>,
    data: &Path,
    ask: impl FnOnce(&mut Store) -> Result<T, ClubError> + Send + 'static,
) -> Result<T, ClubError> {
    let turn = match server {
        // Nobody closes it, so there always is one.
        Some(server) => server.erases.clone().acquire_owned().await.ok(),
        None => None,
    };
    let data = data.to_owned();
    let asked = spawn_blocking(move || {
        let mut store = Store::open(&data)?;
        let answer = ask(&mut store);
        drop(store);
        drop(turn);
        answer
    });
    asked.await.map_err(|bug| ClubError::Store(bug.to_string()))?
}
