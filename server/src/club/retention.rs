//! Strokes and heart rate that have been kept long enough: at the start and every hour it is looked which, and they are erased in the
//! journal. Every result stays as it was settled.

use std::{path::Path, sync::Arc};

use thole_protocol::{
    ids::{CommandId, SessionId},
    order::Order,
    units::At,
};
use tokio::time::sleep;

use super::{
    leaving::{self, with},
    reading,
    store::{ClubError, Due},
};
use crate::{
    Server,
    journal::{Journal, JournalError, LetGo, Passing, SessionRow},
    orders::{NotDone, Ordered},
    registry::Registry,
    secret::random_uuid,
};

/// While people may be rowing nothing is erased, unless that has been so for this long.
const PUT_OFF_MS: u64 = 86_400_000;
/// Rest between two sessions that are looked at: whoever comes in is not to notice.
const REST: std::time::Duration = std::time::Duration::from_millis(5);

/// What was done in one look.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Looked {
    /// Sessions whose strokes went.
    pub strokes_of: u64,
    /// Sessions of which heart rate went.
    pub heart_rate_of: u64,
    /// Sessions whose strokes are due and wait: they are open, or something in them is not settled.
    pub waiting: u64,
}

/// Erases what is due by this clock. `server` is the one that has sessions open, if there is one.
///
/// # Errors
/// The club or a journal cannot be read or written; everything else was done, and it is to be tried again.
pub async fn look(
    journal: &dyn Journal,
    server: Option<&Arc<Server>>,
    data: &Path,
    now_unix_ms: u64,
) -> Result<Looked, ClubError> {
    let (due, ran) =
        with(server, data, move |store| Ok((store.due(now_unix_ms)?, store.retention_ran()?)))
            .await?;
    let is_busy = server.is_some_and(|server| !server.registry.is_empty());
    // A clock that was put back has not run for longer than anybody knows.
    let is_recent = ran.is_some_and(|ran| ran <= now_unix_ms && now_unix_ms < ran + PUT_OFF_MS);
    if is_busy && is_recent {
        return Ok(Looked::default());
    }
    let speed = server.map_or(1, |server| u64::from(server.clock.speed()));
    let retention = Retention { journal, server, data, now_unix_ms, due, speed };
    let mut looked = Looked::default();
    let mut failed = None;
    for row in journal.sessions().await.map_err(|error| unread(&error))? {
        // One that cannot be read keeps no other.
        if let Err(error) = retention.session(&row, &mut looked).await {
            tracing::warn!(session = %row.session, %error, "what is due of a session cannot be erased now");
            failed = Some(error);
        }
    }
    if journal.overwrite().await.map_err(|error| unread(&error))? {
        leaving::remove_old_journal(data)?;
    }
    if let Some(error) = failed {
        return Err(error);
    }
    with(server, data, move |store| store.note_retention_ran(now_unix_ms)).await?;
    let Looked { strokes_of, heart_rate_of, waiting } = looked;
    if strokes_of + heart_rate_of + waiting > 0 {
        tracing::info!(
            strokes_of,
            heart_rate_of,
            waiting,
            "strokes and heart rate that have been kept long enough were erased, by sessions"
        );
    }
    Ok(looked)
}

fn unread(error: &dyn std::fmt::Display) -> ClubError {
    ClubError::Store(error.to_string())
}

struct Retention<'a> {
    journal: &'a dyn Journal,
    server: Option<&'a Arc<Server>>,
    data: &'a Path,
    now_unix_ms: u64,
    due: Due,
    speed: u64,
}

impl Retention<'_> {
    async fn session(&self, row: &SessionRow, looked: &mut Looked) -> Result<(), ClubError> {
        let Due { strokes_before_ms, heart_rate_before_ms } = self.due;
        if row.created_unix_ms >= strokes_before_ms.max(heart_rate_before_ms) {
            return Ok(());
        }
        sleep(REST).await;
        let began = self.began(row).await.map_err(|error| unread(&error))?;
        if let Some(before) = self.instant(began, heart_rate_before_ms) {
            looked.heart_rate_of += self.erase(row.session, Passing::HeartRate, before).await?;
        }
        let Some(before) = self.instant(began, strokes_before_ms) else { return Ok(()) };
        let newest = self.journal.newest(row.session, Passing::Strokes).await;
        let newest = newest.map_err(|error| unread(&error))?;
        // All of a session, or none: half of its strokes make another result.
        if newest.is_none_or(|newest| newest >= before) {
            return Ok(());
        }
        if !self.is_settled(row).await? {
            looked.waiting += 1;
            return Ok(());
        }
        looked.strokes_of += self.erase(row.session, Passing::Strokes, before).await?;
        Ok(())
    }

    /// When the session's clock began, by the wall clock as it was then or as it was when that was last compared, whichever is later.
    async fn began(&self, row: &SessionRow) -> Result<u64, JournalError> {
        let reckoned = self.journal.reckoned(row.session).await?;
        let compared = reckoned.map_or(0, |of| of.unix_ms.saturating_sub(of.at.0 / self.speed));
        Ok(row.created_unix_ms.max(compared))
    }

    /// An instant of the wall clock as one of the session; `None` for one before it began.
    fn instant(&self, began: u64, unix_ms: u64) -> Option<At> {
        let since = unix_ms.checked_sub(began).filter(|since| *since > 0)?;
        Some(At(since.saturating_mul(self.speed)))
    }

    /// 1 if anything was erased.
    async fn erase(&self, session: SessionId, what: Passing, before: At) -> Result<u64, ClubError> {
        let erased = self.journal.let_go(LetGo { session, what, whose: None, before }).await;
        let records = erased.map_err(|error| unread(&error))?;
        if records == 0 {
            return Ok(0);
        }
        let now = self.now_unix_ms;
        with(self.server, self.data, move |store| store.note_let_go(session, what, records, now))
            .await?;
        Ok(1)
    }

    /// Whether what was rowed stands in records. What nobody has closed in all that time is closed, and settles by itself.
    async fn is_settled(&self, row: &SessionRow) -> Result<bool, ClubError> {
        let read = reading::read(self.journal, row).await.map_err(|error| unread(&error))?;
        if read.is_settled {
            return Ok(true);
        }
        let session = row.session;
        let Some(server) = self.server else { return Ok(false) };
        if row.closed_unix_ms.is_some() {
            // Its own task writes what is missing.
            Registry::open(server, row).await.map_err(|error| unread(&error))?;
            return Ok(false);
        }
        // A piece that is still under way in it is stopped; of any other that is refused.
        for order in [Order::Close, Order::Stop, Order::CloseSession] {
            let ordered = Ordered { command: CommandId(random_uuid()), order, by: None };
            match server.order(session, ordered).await {
                Ok(()) | Err(NotDone::Refused(_)) => {}
                Err(error) => return Err(unread(&error)),
            }
        }
        tracing::info!(%session, "a session that nobody has closed was closed: its strokes are due");
        Ok(false)
    }
}
