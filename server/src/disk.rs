//! Room on the disk of the data folder: a warning before it is used up, a reserve for sessions that are there
//! already, and waiting when there is none.

use std::{path::Path, sync::Arc, time::Duration};

use tokio::time::sleep;

use crate::{Server, journal::JournalError};

/// How often the room is measured.
const MEASURED_EVERY: Duration = Duration::from_secs(10);
/// How often a server that can only read tries whether it can write again.
const TRIED_EVERY: Duration = Duration::from_secs(5);
/// This fraction of the room at which the warning comes is kept for the sessions that are there.
const KEPT: u64 = 4;
/// The name of the note that is written to try whether the journal can be written.
const PROBE: &str = "probe";
/// A journal that was full has room again when it takes this many bytes, a roster's worth: on a full disk some small write
/// still finds its place, and sessions that open would end at once.
const ROOM_BYTES: usize = 256 << 10;

/// The disk that a folder is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Disk {
    /// Bytes that this user may still write.
    pub free: u64,
    /// Bytes of the whole disk.
    pub size: u64,
}

impl Disk {
    /// `None` when the system does not say.
    #[must_use]
    pub fn of(folder: &Path) -> Option<Disk> {
        let told = rustix::fs::statvfs(folder).ok()?;
        let bytes = |blocks: u64| blocks.saturating_mul(told.f_frsize);
        Some(Disk { free: bytes(told.f_bavail), size: bytes(told.f_blocks) })
    }

    /// How much room there is, if less than `low` bytes counts as little.
    #[must_use]
    pub fn room(self, low: u64) -> Room {
        if self.free >= low {
            Room::Enough
        } else if self.free >= low / KEPT {
            Room::Little
        } else {
            Room::ForThoseWhoAreHere
        }
    }
}

/// How much room there is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Room {
    /// Nothing worth mentioning.
    Enough,
    /// Whoever runs the server is warned.
    Little,
    /// No new session is made: what is left is for those that are there.
    ForThoseWhoAreHere,
}

/// Warns when room becomes little, once each time; runs until the task is ended.
pub(crate) async fn watch(server: Arc<Server>) {
    let mut known = Room::Enough;
    loop {
        let (data, low) = (&server.settings.data, server.settings.limits.disk_low);
        if let Some(disk) = Disk::of(data) {
            let room = disk.room(low);
            if room != known {
                let free_mib = disk.free >> 20;
                match room {
                    Room::Enough => tracing::info!(free_mib, "there is room on the disk again"),
                    Room::Little => tracing::warn!(free_mib, "little room is left on the disk"),
                    Room::ForThoseWhoAreHere => {
                        tracing::warn!(free_mib, "no new sessions: the disk is nearly full");
                    }
                }
            }
            known = room;
        }
        sleep(MEASURED_EVERY).await;
    }
}

/// Waits until the journal can be written again. Nobody was told of what was not durable when it was full, so nothing
/// has to be put right: sessions open again from what is there.
pub(crate) async fn wait_for_room(server: Arc<Server>) {
    loop {
        sleep(TRIED_EVERY).await;
        match try_to_write(&server).await {
            Ok(()) => return server.writes_again(),
            Err(error) if error.is_full() => {}
            Err(error) => return server.fail(&error),
        }
    }
}

/// Writes a note and, if there was no room before, one that takes some.
///
/// # Errors
/// The journal's own.
pub(crate) async fn try_to_write(server: &Server) -> Result<(), JournalError> {
    if server.reads_only() {
        server.journal.keep(PROBE, "-".repeat(ROOM_BYTES)).await?;
    }
    server.journal.keep(PROBE, String::new()).await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_disk_of_a_folder_that_is_not_there_is_not_made_up() {
        assert_eq!(Disk::of(Path::new("not/there")), None);
        let disk = Disk::of(Path::new(".")).unwrap();
        assert!(disk.free <= disk.size && disk.size > 0, "{disk:?}");
    }

    #[test]
    fn it_is_warned_of_before_new_sessions_are_refused() {
        let room = |free| Disk { free, size: 10_000 }.room(1_000);
        assert_eq!(room(1_000), Room::Enough);
        assert_eq!((room(999), room(250)), (Room::Little, Room::Little));
        assert_eq!((room(249), room(0)), (Room::ForThoseWhoAreHere, Room::ForThoseWhoAreHere));
    }
}
