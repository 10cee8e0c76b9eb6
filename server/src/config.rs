//! Settings: by flag, by environment (`THOLE_…`), or by a TOML file, in this order; a wrong one is refused by
//! its name.
//!
//! Flags and variables are gathered as they were given, what else the file says is added to them, and all of it is read
//! as one command line: so each kind of value has one reader, and what is wrong is said in the same words.

pub(crate) mod value;

use std::{
    error::Error as _,
    net::{IpAddr, SocketAddr},
    path::PathBuf,
};

use clap::{
    ArgAction, ArgMatches, Args, Command, FromArgMatches,
    builder::ValueParser,
    error::{ContextKind, ContextValue},
    parser::ValueSource,
};
use thole_protocol::ids::Syllables;

use self::value::{
    code_syllables, header_name, inner_listen, list, log_format, origin, parsed, path, plain,
    proxy, self_made, whole, yes_or_no,
};
use crate::{authority, inner::InnerListen, limits::Limits, logs::LogFormat};

/// Variables of our other programs, which may be set in the same environment.
const NOT_OURS: [&str; 4] = ["THOLE_KEY", "THOLE_SERVER", "THOLE_SERVER_PROGRAM", "THOLE_WEB"];

/// What a server is set to. Each field is a setting, with its name, its variable, its default and its reader; a list is
/// `std::vec::Vec`, since clap takes anything called `Vec` for a flag that may be repeated.
#[derive(Args, Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// TOML file with any of these settings, under the same names
    #[arg(long, env = "THOLE_CONFIG", value_name = "FILE", value_parser = path("a file"))]
    pub config: Option<PathBuf>,
    /// Lets anyone who can reach the server make sessions, not only those who have the head coach's link
    #[arg(
        long, env = "THOLE_OPEN", value_name = "yes|no", num_args = 0..=1, require_equals = true,
        default_value = "no", default_missing_value = "yes", value_parser = yes_or_no, action = ArgAction::Set
    )]
    pub open: bool,
    /// Address and port to listen on
    #[arg(long, env = "THOLE_LISTEN", default_value = "127.0.0.1:8737", value_parser = parsed::<SocketAddr>("an address and a port, such as 127.0.0.1:8737"))]
    pub listen: SocketAddr,
    /// Address and port of /metrics and /readyz, for whoever runs the server, or off; not for strangers
    #[arg(long, env = "THOLE_INNER_LISTEN", default_value = "127.0.0.1:8738", value_parser = inner_listen)]
    pub inner_listen: InnerListen,
    /// Folder of the journal; created if it does not exist
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data", value_parser = path("a folder"))]
    pub data: PathBuf,
    /// Certificate chain, a PEM file; with --tls-key the server speaks HTTPS
    #[arg(long, env = "THOLE_TLS_CERT", value_parser = path("a PEM file"))]
    pub tls_cert: Option<PathBuf>,
    /// Private key of the certificate, a PEM file
    #[arg(long, env = "THOLE_TLS_KEY", value_parser = path("a PEM file"))]
    pub tls_key: Option<PathBuf>,
    /// Names and addresses of this computer, separated by commas, such as gym.local,192.168.7.20: makes a
    /// certificate for them in the data folder at the first start, and says how devices come to trust it
    #[arg(long = "tls-self-made", env = "THOLE_TLS_SELF_MADE", value_parser = self_made)]
    pub self_made: Option<std::vec::Vec<String>>,
    /// Model that projects finishes, made with `thole-server fit` [default: the one that ships]
    #[arg(long, env = "THOLE_PROJECTION_MODEL", value_parser = path("a file"))]
    pub projection_model: Option<PathBuf>,
    /// How many times faster than real time to run, for rehearsal and tests: 1 to 100
    // Any faster, and the heartbeats of a class would take up the whole machine.
    #[arg(long, env = "THOLE_SPEED", default_value = "1", value_parser = whole::<u32>(1..=100))]
    pub speed: u32,
    /// Other addresses whose pages may connect, separated by commas, such as https://club.example
    #[arg(long, env = "THOLE_ORIGINS", default_value = "", hide_default_value = true, value_parser = list(origin))]
    pub origins: std::vec::Vec<String>,
    /// Addresses of proxies in front of this server, separated by commas; only from these is the client's
    /// address taken out of the header below
    #[arg(long, env = "THOLE_PROXIES", default_value = "", hide_default_value = true, value_parser = list(proxy))]
    pub proxies: std::vec::Vec<IpAddr>,
    /// Header in which those proxies name the client
    #[arg(long, env = "THOLE_CLIENT_ADDRESS_HEADER", default_value = "x-forwarded-for", value_parser = header_name)]
    pub client_address_header: String,
    /// Names of this server on the Internet, separated by commas, such as club.example; not needed for addresses,
    /// names without a dot, .local names, names in the certificate and those of --origins
    #[arg(long, env = "THOLE_HOSTS", default_value = "", hide_default_value = true, value_parser = list(authority::name))]
    pub hosts: std::vec::Vec<String>,
    /// Syllables of a join code: 4, or 6 where several servers share one store
    #[arg(long, env = "THOLE_CODE_SYLLABLES", default_value = "4", value_parser = code_syllables)]
    pub code_syllables: Syllables,
    /// Format of the log, text or json
    #[arg(long, env = "THOLE_LOG_FORMAT", default_value = "text", value_parser = log_format)]
    pub log_format: LogFormat,
    /// Everything has a limit.
    #[command(flatten)]
    pub limits: Limits,
    /// Certificate and key, as PEM files; without them plain HTTP.
    #[arg(skip)]
    pub tls: Option<(PathBuf, PathBuf)>,
    /// What was set differently from the default, as `name=value`, in the order of `--help`.
    #[arg(skip)]
    pub differs: Vec<String>,
}

/// The settings as they were given, by name and value.
#[derive(Clone, Debug, Default)]
pub struct ServeArgs(Vec<(String, String)>);

impl ServeArgs {
    /// Refuses a variable that looks like a setting but is not: a mistyped one would change nothing.
    ///
    /// # Errors
    /// One sentence that begins with the name of the first such variable.
    pub fn check_environment(names: impl IntoIterator<Item = String>) -> Result<(), String> {
        let command = flags();
        let is_ours = |name: &String| {
            command.get_arguments().any(|arg| arg.get_env().is_some_and(|env| env == name.as_str()))
        };
        let unknown = names.into_iter().filter(|name| {
            name.starts_with("THOLE_") && !is_ours(name) && !NOT_OURS.contains(&name.as_str())
        });
        unknown.min().map_or(Ok(()), |name| Err(no_such(&name)))
    }

    /// With this one given too; it replaces what was given under its name before.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl ToString) -> ServeArgs {
        self.0.retain(|(known, _)| known != name);
        self.0.push((name.to_owned(), value.to_string()));
        self
    }

    fn get(&self, name: &str) -> Option<&str> {
        self.0.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str())
    }

    /// The settings, judged one by one.
    ///
    /// # Errors
    /// One sentence that begins with the name of the wrong setting and says what is allowed.
    pub fn settings(self) -> Result<Settings, String> {
        let command = flags();
        let said = self.with_file(&command)?;
        let words = said.0.iter().map(|(name, value)| format!("--{name}={value}"));
        // What the environment says has already been gathered with the flags.
        let alone = command.clone().mut_args(|arg| arg.env(None::<&str>));
        let read = alone.try_get_matches_from(words);
        let read = read.and_then(|matches| Settings::from_arg_matches(&matches));
        let mut settings = read.map_err(|error| refused(&error))?;
        if let (InnerListen::At(usual), None) = (settings.inner_listen, said.get("inner-listen")) {
            settings.inner_listen = InnerListen::Usual(usual);
        }
        settings.tls = tls(&settings)?;
        settings.differs = said.other_than_usual(&command);
        Ok(settings)
    }

    /// Fills in from the file what neither a flag nor the environment has set.
    fn with_file(self, command: &Command) -> Result<ServeArgs, String> {
        let Some(file) = self.get("config").map(str::to_owned) else { return Ok(self) };
        let text = std::fs::read_to_string(&file)
            .map_err(|error| format!("config: {file} cannot be read ({error})."))?;
        let table: toml::Table = toml::from_str(&text)
            .map_err(|error| format!("config: {file} is not TOML: {error}"))?;
        let mut all = self;
        for (name, value) in table {
            let is_known = command.get_arguments().any(|arg| arg.get_long() == Some(&name));
            if !is_known || name == "config" {
                return Err(no_such(&name));
            }
            let value = plain(&name, value)?;
            if all.get(&name).is_none() {
                all = all.with(&name, value);
            }
        }
        Ok(all)
    }

    fn other_than_usual(&self, command: &Command) -> Vec<String> {
        let settings = command.get_arguments().filter(|arg| arg.get_id().as_str() != "config");
        let said = settings.filter_map(|arg| {
            let name = arg.get_long()?;
            let value = self.get(name)?;
            let is_usual = arg.get_default_values().iter().any(|usual| usual == value);
            (!is_usual).then(|| format!("{name}={value}"))
        });
        said.collect()
    }
}

/// Every setting as a flag.
fn flags() -> Command {
    Settings::augment_args(Command::new("serve").no_binary_name(true))
}

/// On the command line any word will do at first: it is judged once the file has been read.
impl Args for ServeArgs {
    fn augment_args(command: Command) -> Command {
        Settings::augment_args(command).mut_args(|arg| {
            let arg = arg.value_parser(ValueParser::string());
            let has_name = arg.get_long().is_some_and(|name| ["config", "open"].contains(&name));
            if has_name { arg } else { arg.value_name("VALUE") }
        })
    }

    fn augment_args_for_update(command: Command) -> Command {
        ServeArgs::augment_args(command)
    }
}

impl FromArgMatches for ServeArgs {
    fn from_arg_matches(matches: &ArgMatches) -> Result<ServeArgs, clap::Error> {
        let mut args = ServeArgs::default();
        args.update_from_arg_matches(matches)?;
        Ok(args)
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        for arg in flags().get_arguments() {
            let id = arg.get_id().as_str();
            let by = matches.value_source(id);
            let is_said = by.is_some_and(|by| by != ValueSource::DefaultValue);
            if let (true, Some(name), Some(value)) =
                (is_said, arg.get_long(), matches.get_one::<String>(id))
            {
                *self = std::mem::take(self).with(name, value);
            }
        }
        Ok(())
    }
}

/// The certificate and key that were named, or those made for this computer's names.
fn tls(settings: &Settings) -> Result<Option<(PathBuf, PathBuf)>, String> {
    let says = match (&settings.tls_cert, &settings.tls_key, &settings.self_made) {
        (None, None, None) => return Ok(None),
        (None, None, Some(_)) => return Ok(Some(authority::files(&settings.data))),
        (Some(cert), Some(key), None) => return Ok(Some((cert.clone(), key.clone()))),
        (Some(_), None, None) => "tls-key: a certificate needs its key too.",
        (None, Some(_), None) => "tls-cert: a key needs its certificate too.",
        (_, _, Some(_)) => {
            "tls-self-made: with tls-cert and tls-key there is a certificate already; leave one of them out."
        }
    };
    Err(says.to_owned())
}

fn no_such(name: &str) -> String {
    format!("{name}: there is no such setting; `thole-server serve --help` lists them.")
}

/// In one sentence, under the name that the setting has in the file, too.
fn refused(error: &clap::Error) -> String {
    let Some(ContextValue::String(flag)) = error.get(ContextKind::InvalidArg) else {
        return error.to_string();
    };
    let name = flag.trim_start_matches("--").split([' ', '=', '[']).next().unwrap_or_default();
    error.source().map_or_else(|| error.to_string(), |says| format!("{name}: {says}"))
}

#[cfg(test)]
mod tests;
