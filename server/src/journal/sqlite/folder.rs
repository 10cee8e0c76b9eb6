//! The folder of a journal and its files, which only their owner may read: they contain heart rates.

use std::{
    fs::{self, DirBuilder, File, OpenOptions, Permissions},
    io,
    os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt},
    path::{Path, PathBuf},
};

/// How the names of a journal's files begin, including those that SQLite makes beside it.
const FILES: [&str; 7] =
    ["thole.db", "witness", "lock", "coach-", "machine-key", "club.sqlite", "gone"];

/// The file of the journal in its folder.
#[must_use]
pub fn file(data: &Path) -> PathBuf {
    data.join("thole.db")
}

/// Creates the folder, for this user only; one that exists stays as it is.
///
/// # Errors
/// As the system reports it.
pub fn made(data: &Path) -> io::Result<()> {
    DirBuilder::new().recursive(true).mode(0o700).create(data)
}

/// Opens one of the journal's files for writing, and creates it if it does not exist: SQLite gives the files beside its
/// own the same mode.
pub(crate) fn own_file(file: &Path) -> io::Result<File> {
    OpenOptions::new().write(true).create(true).truncate(false).mode(0o600).open(file)
}

/// Takes away from others what an older version, or a careless hand, has let them read. A folder without anything of
/// a journal in it may be anybody's and is left alone.
pub(super) fn tighten(data: &Path) -> io::Result<()> {
    let mut known = 0;
    for entry in fs::read_dir(data)? {
        let entry = entry?;
        let name = entry.file_name();
        let ours = FILES.iter().any(|begins| name.to_string_lossy().starts_with(begins));
        if ours && entry.file_type()?.is_file() {
            known += 1;
            close_to_others(&entry.path())?;
        }
    }
    if known > 0 { close_to_others(data) } else { Ok(()) }
}

fn close_to_others(path: &Path) -> io::Result<()> {
    let mode = fs::metadata(path)?.permissions().mode();
    if mode & 0o077 == 0 {
        return Ok(());
    }
    tracing::warn!(path = %path.display(), mode = %format!("{:o}", mode & 0o777), "others could read this; now only its owner can");
    fs::set_permissions(path, Permissions::from_mode(mode & 0o700))
}
