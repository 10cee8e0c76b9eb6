//! Who may make a session: whoever has the head coach's key, and whoever can read the data folder of this machine. That a
//! connection comes from the machine itself proves nothing: behind a proxy they all do.

use std::{
    fs::{self, OpenOptions},
    io::{self, Write},
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

use thole_protocol::refusal::{Refusal, Why};

use crate::{
    config::Settings,
    secret::{Secret, SecretHash, new_secret},
};

/// The data folder has only the hash of the head coach's key, in this file.
const KEY: &str = "coach-key";
/// Where the head coach's link goes when nobody is watching.
const LINK: &str = "coach-link";
/// A key that is new at each start, and the address it is for: whoever can read it is on the machine.
const MACHINE: &str = "machine-key";

/// Where a server listens that was told nothing else.
pub const USUAL_ADDRESS: &str = "http://127.0.0.1:8737";

/// Tells whoever has no key, or a wrong one, what to do.
const WITHOUT: &str = "Making a session takes the head coach's link: open that link once on this device, or \
    name it with --key. On the computer of the server, thole coach create finds its key in the data \
    folder (--data), and thole-server coach-link makes a new link.";

/// Who may make sessions here.
#[derive(Debug)]
pub enum Makers {
    /// Whoever can reach the server.
    Anybody,
    /// Whoever has a key.
    Keys {
        /// Folder with the file of the head coach's key.
        data: PathBuf,
        /// The key of this machine, for as long as the server runs.
        machine: Secret,
    },
}

impl Makers {
    /// As the settings say.
    #[must_use]
    pub fn of(settings: &Settings) -> Makers {
        if settings.open {
            Makers::Anybody
        } else {
            Makers::Keys { data: settings.data.clone(), machine: new_secret() }
        }
    }

    /// The key by which a program in this process, or on this machine, makes a session; `None` when nobody needs one.
    #[must_use]
    pub fn machine_key(&self) -> Option<String> {
        match self {
            Makers::Anybody => None,
            Makers::Keys { machine, .. } => Some(machine.clone().reveal()),
        }
    }

    /// Whether somebody with this key may make a session. The head coach's key is read from its file each time, so
    /// that a new one counts at once.
    ///
    /// # Errors
    /// They may not; says what to do.
    pub fn check(&self, key: Option<&str>) -> Result<(), Refusal> {
        let Makers::Keys { data, machine } = self else { return Ok(()) };
        let without = Refusal { why: Why::NotYours, says: WITHOUT.to_owned() };
        let offered = SecretHash::of(key.ok_or_else(|| without.clone())?);
        if is_head_coach(data, offered) || offered == machine.hash() {
            Ok(())
        } else {
            Err(without)
        }
    }

    /// Whether this is the key of the machine itself.
    #[must_use]
    pub fn is_machine(&self, offered: SecretHash) -> bool {
        match self {
            Makers::Anybody => false,
            Makers::Keys { machine, .. } => machine.hash() == offered,
        }
    }

    /// Leaves this machine's key where only its user can read it, with the address that the server listens on.
    ///
    /// # Errors
    /// One sentence: the file cannot be written.
    pub fn leave_machine_key(&self, data: &Path, address: &str) -> Result<(), String> {
        match self.machine_key() {
            Some(key) => write(&data.join(MACHINE), &format!("{key}\n{address}\n")),
            None => Ok(()),
        }
    }
}

/// Whether this is the head coach's key of a data folder, as its file has it now.
#[must_use]
pub fn is_head_coach(data: &Path, offered: SecretHash) -> bool {
    let kept = fs::read_to_string(data.join(KEY)).ok();
    kept.is_some_and(|kept| kept.trim() == offered.to_hex())
}

/// The head coach's first key; `None` when there is one already.
///
/// # Errors
/// One sentence: the file cannot be written.
pub fn first_key(data: &Path) -> Result<Option<Secret>, String> {
    if data.join(KEY).exists() { Ok(None) } else { new_key(data).map(Some) }
}

/// A new key for the head coach; the one before opens nothing from now on.
///
/// # Errors
/// One sentence: the file cannot be written.
pub fn new_key(data: &Path) -> Result<Secret, String> {
    let key = new_secret();
    write(&data.join(KEY), &format!("{}\n", key.hash().to_hex()))?;
    Ok(key)
}

/// The head coach's link on a server at this address, such as `http://127.0.0.1:8737`.
#[must_use]
pub fn link(address: &str, key: Secret) -> String {
    format!("{address}/coach/#{}", key.reveal())
}

/// The link on a card of a person.
#[must_use]
pub fn card_link(address: &str, card: Secret) -> String {
    format!("{address}/me/#{}", card.reveal())
}

/// Keeps the link for those who may read the data folder; returns where it is.
///
/// # Errors
/// One sentence: the file cannot be written.
pub fn keep_link(data: &Path, link: &str) -> Result<PathBuf, String> {
    let file = data.join(LINK);
    write(&file, &format!("{link}\n"))?;
    Ok(file)
}

/// The address that the server on this folder listens on, if one was started.
#[must_use]
pub fn address(data: &Path) -> Option<String> {
    let text = fs::read_to_string(data.join(MACHINE)).ok()?;
    text.lines().nth(1).map(str::to_owned)
}

/// Complete or not at all, and for its own user only from the first byte on.
fn write(file: &Path, text: &str) -> Result<(), String> {
    let written = || -> io::Result<()> {
        let beside = file.with_extension("new");
        // What an earlier attempt left behind may have different permissions.
        let _ = fs::remove_file(&beside);
        let mut new = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&beside)?;
        new.write_all(text.as_bytes())?;
        new.sync_all()?;
        fs::rename(&beside, file)
    };
    written().map_err(|error| format!("data: {} cannot be written ({error}).", file.display()))
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;
    use crate::config::ServeArgs;

    fn makers(data: &Path, open: Option<&str>) -> Makers {
        let args = ServeArgs::default().with("data", data.display());
        let args = open.into_iter().fold(args, |args, open| args.with("open", open));
        Makers::of(&args.settings().unwrap())
    }

    #[test]
    fn who_has_no_key_makes_nothing_and_is_told_what_to_do() {
        let folder = tempfile::tempdir().unwrap();
        let makers = makers(folder.path(), None);
        for key in [None, Some(""), Some("guess"), Some("0000"), Some(&*"a".repeat(4_000))] {
            let refusal = makers.check(key).unwrap_err();
            assert!(refusal.why == Why::NotYours && refusal.says.contains("coach-link"), "{key:?}");
        }
        // The hash is not the key, and an empty file is not anybody's key.
        let key = new_key(folder.path()).unwrap();
        assert!(makers.check(Some(&key.hash().to_hex())).is_err());
        fs::write(folder.path().join(KEY), "").unwrap();
        assert!(makers.check(Some("")).is_err() && makers.check(Some(&key.reveal())).is_err());
    }

    #[test]
    fn a_new_link_ends_the_one_before_while_the_server_runs() {
        let folder = tempfile::tempdir().unwrap();
        let makers = makers(folder.path(), None);
        let first = first_key(folder.path()).unwrap().unwrap().reveal();
        assert_eq!(makers.check(Some(&first)), Ok(()));
        assert_eq!(first_key(folder.path()), Ok(None), "made once");
        let second = new_key(folder.path()).unwrap().reveal();
        assert!(makers.check(Some(&first)).is_err() && makers.check(Some(&second)).is_ok());
    }

    #[test]
    fn the_machine_proves_itself_by_a_file_that_only_its_user_can_read() {
        let folder = tempfile::tempdir().unwrap();
        let makers = makers(folder.path(), None);
        makers.leave_machine_key(folder.path(), "http://127.0.0.1:9").unwrap();
        let key = new_key(folder.path()).unwrap();
        keep_link(folder.path(), &link("http://x", key)).unwrap();
        let text = fs::read_to_string(folder.path().join(MACHINE)).unwrap();
        assert_eq!(makers.check(text.lines().next()), Ok(()));
        assert_eq!(address(folder.path()).as_deref(), Some("http://127.0.0.1:9"));
        for file in fs::read_dir(folder.path()).unwrap() {
            let file = file.unwrap();
            let mode = file.metadata().unwrap().permissions().mode() & 0o777;
            assert_eq!(mode, 0o600, "{:?}", file.path());
        }
        // The next start has another one.
        let next = super::tests::makers(folder.path(), None);
        assert!(next.check(text.lines().next()).is_err());
    }

    #[test]
    fn an_open_server_asks_nobody() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(makers(folder.path(), Some("yes")).check(None), Ok(()));
        assert!(makers(folder.path(), Some("no")).check(None).is_err());
    }
}
