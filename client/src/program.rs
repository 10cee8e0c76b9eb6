//! What the program's commands share: settings, how they report, how they fail.

pub(crate) mod board;
pub(crate) mod coach;
pub(crate) mod manual;
pub(crate) mod row;

use std::{
    io::{BufRead, Write},
    path::PathBuf,
    process::ExitCode,
};

use clap::Args;
use serde_json::Value;
use thole::{
    address::{Address, PlaceLink},
    socket::{Dial, Trust},
};
use thole_protocol::client_msg::Role;
use tokio::sync::mpsc;

/// Lines of standard input that wait to be read.
const LINES_MAX: usize = 64;

/// Settings of every command.
#[derive(Args, Clone)]
pub(crate) struct Common {
    /// Where the server is; a link already names its own server
    #[arg(long, global = true, env = "THOLE_SERVER", default_value = "ws://127.0.0.1:8737")]
    server: String,
    /// PEM file of the authority to trust, for a server with a certificate of its own
    #[arg(long, global = true, value_name = "FILE")]
    ca: Option<PathBuf>,
    /// Reports everything as JSON, one object a line
    #[arg(long, global = true)]
    json: bool,
    /// Name to put in front of each report, when one program rows for several athletes
    #[arg(skip)]
    label: Option<String>,
}

impl Common {
    pub(crate) fn address(&self) -> Result<Address, Failed> {
        Address::read(&self.server).map_err(usage)
    }

    pub(crate) fn dial(&self, address: Address) -> Result<Dial, Failed> {
        Ok(match &self.ca {
            Some(file) => Dial::Network { address, trust: Some(Trust::file(file).map_err(usage)?) },
            None => Dial::network(address),
        })
    }

    /// A link of this role.
    pub(crate) fn link(&self, typed: &str, role: Role) -> Result<PlaceLink, Failed> {
        let link = PlaceLink::read(typed).map_err(usage)?;
        if link.role == role {
            return Ok(link);
        }
        let (is, command) = match link.role {
            Role::Coach => ("a coach's", "coach --link"),
            Role::Athlete => ("an athlete's", "row --link"),
            Role::Board => ("a board's", "board --link"),
        };
        Err(usage(format!("This is {is} link; use it with thole {command}.")))
    }

    /// The same, reporting under this label.
    #[cfg(feature = "bluetooth")]
    pub(crate) fn labelled(&self, label: Option<String>) -> Common {
        Common { label, ..self.clone() }
    }

    /// Reports one thing: to people in words (when there are any for them), to scripts as a line.
    pub(crate) fn tell(&self, mut line: Value, words: impl FnOnce() -> Option<String>) {
        if self.json {
            if let (Some(label), Some(fields)) = (&self.label, line.as_object_mut()) {
                fields.insert("machine".into(), label.clone().into());
            }
            say(&line.to_string());
        } else if let Some(words) = words() {
            match &self.label {
                Some(label) => say(&format!("[{label}] {words}")),
                None => say(&words),
            }
        }
    }

    pub(crate) fn json(&self) -> bool {
        self.json
    }
}

/// Prints a line at once.
pub(crate) fn say(text: &str) {
    print(&format!("{text}\n"));
}

/// Prints a text as it is, at once. When nobody reads it any more the program ends, as others in a pipe do.
pub(crate) fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    if out.write_all(text.as_bytes()).and_then(|()| out.flush()).is_err() {
        std::process::exit(1);
    }
}

/// Why a command failed, in one sentence that says what is wrong and what to do.
pub(crate) enum Failed {
    /// The command is not written as it should be: exit code 2.
    Usage(String),
    /// The server said no, or something outside went wrong: exit code 1.
    Refused(String),
}

impl From<String> for Failed {
    fn from(says: String) -> Failed {
        Failed::Refused(says)
    }
}

impl From<&str> for Failed {
    fn from(says: &str) -> Failed {
        Failed::Refused(says.to_owned())
    }
}

/// For mistakes in what was typed.
pub(crate) fn usage(says: impl Into<String>) -> Failed {
    Failed::Usage(says.into())
}

/// Says why a command failed; to scripts as a line too.
pub(crate) fn failed(common: &Common, why: &Failed) -> ExitCode {
    let (says, code) = match why {
        Failed::Usage(says) => (says, 2),
        Failed::Refused(says) => (says, 1),
    };
    if common.json {
        say(&serde_json::json!({"event": "failed", "says": says}).to_string());
    }
    eprintln!("{says}");
    ExitCode::from(code)
}

/// Lines of standard input, read beside everything else; `None` after its end.
pub(crate) fn lines_of_stdin() -> mpsc::Receiver<Result<String, String>> {
    let (tell, lines) = mpsc::channel(LINES_MAX);
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let line = line.map_err(|e| format!("Standard input cannot be read: {e}."));
            let over = line.is_err();
            if tell.blocking_send(line).is_err() || over {
                return;
            }
        }
    });
    lines
}

/// A seed that nobody else has.
pub(crate) fn any_seed() -> Result<u64, String> {
    getrandom::u64().map_err(|e| format!("This system gives no random numbers: {e}."))
}
