//! Settings: by flag, by environment (`THOLE_…`), or by a TOML file, in this order; a wrong one is refused
//! by its name.

use std::{fmt::Display, net::SocketAddr, path::PathBuf, str::FromStr, time::Duration};

use clap::Args;

use thole_protocol::ids::Syllables;

use crate::{authority, limits::Limits};

/// Faster than this, the heartbeats of a class would be all that a machine does.
const SPEED_MAX: u32 = 100;

/// Variables of other programs of ours, which may stand in the same environment.
const NOT_OURS: [&str; 3] = ["THOLE_SERVER", "THOLE_SERVER_PROGRAM", "THOLE_WEB"];

/// What a server is set to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Folder of the journal.
    pub data: PathBuf,
    /// Certificate and key, as PEM files; without them plain HTTP.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// Names and addresses that `tls` is made for at the first start; empty with a certificate from elsewhere.
    pub self_made: Vec<String>,
    /// Model that finishes are projected by; without one, the one that ships.
    pub projection_model: Option<PathBuf>,
    /// How many times faster than life; for rehearsal and tests.
    pub speed: u32,
    /// Pages of other addresses that may connect, such as `https://club.example`.
    pub origins: Vec<String>,
    /// Names, besides those that nobody else can have, by which a browser may ask for the pages.
    pub hosts: Vec<String>,
    /// How long the join codes of new sessions are.
    pub code_syllables: Syllables,
    /// Everything has one.
    pub limits: Limits,
}

macro_rules! settings {
    ($($(#[doc = $doc:literal])+ $field:ident = $name:literal / $env:literal: $default:expr;)*) => {
        /// The settings of a server, as a person gives them.
        #[derive(Args, Clone, Debug, Default)]
        pub struct ServeArgs {
            /// TOML file with any of these settings, by the same names
            #[arg(long, env = "THOLE_CONFIG", value_name = "FILE")]
            pub config: Option<PathBuf>,
            $(
                $(#[doc = $doc])+
                #[arg(long = $name, env = $env, value_name = "VALUE")]
                pub $field: Option<String>,
            )*
        }

        impl ServeArgs {
            const VARIABLES: &[&str] = &["THOLE_CONFIG", $($env),*];

            /// Fills in from a file what neither flag nor environment has said.
            fn fill_in(&mut self, name: &str, value: toml::Value) -> Result<(), String> {
                match name {
                    $($name => { self.$field.get_or_insert(plain(name, value)?); })*
                    other => return Err(format!(
                        "{other}: there is no such setting; `thole-server serve --help` lists them."
                    )),
                }
                Ok(())
            }

            fn defaults() -> ServeArgs {
                ServeArgs { config: None, $($field: $default.map(str::to_owned),)* }
            }

            fn or(self, other: ServeArgs) -> ServeArgs {
                ServeArgs { config: self.config, $($field: self.$field.or(other.$field),)* }
            }
        }
    };
}

settings! {
    /// Address and port to listen on [default: 127.0.0.1:8737]
    listen = "listen" / "THOLE_LISTEN": Some("127.0.0.1:8737");
    /// Folder of the journal; made if it is not there [default: thole-data]
    data = "data" / "THOLE_DATA": Some("thole-data");
    /// Certificate chain, a PEM file; with --tls-key the server speaks HTTPS
    tls_cert = "tls-cert" / "THOLE_TLS_CERT": None::<&str>;
    /// Private key of the certificate, a PEM file
    tls_key = "tls-key" / "THOLE_TLS_KEY": None::<&str>;
    /// Names and addresses of this computer, separated by commas, such as gym.local,192.168.7.20: makes a
    /// certificate for them in the data folder at the first start, and says how devices come to trust it
    tls_self_made = "tls-self-made" / "THOLE_TLS_SELF_MADE": None::<&str>;
    /// Model to project finishes by, made with `thole-server fit` [default: the one that ships]
    projection_model = "projection-model" / "THOLE_PROJECTION_MODEL": None::<&str>;
    /// So many times faster than life, for rehearsal and tests: 1 to 100 [default: 1]
    speed = "speed" / "THOLE_SPEED": Some("1");
    /// Other addresses whose pages may connect, separated by commas, such as https://club.example
    origins = "origins" / "THOLE_ORIGINS": Some("");
    /// Names of this server on the Internet, separated by commas, such as club.example; addresses, names without a
    /// dot and .local names need not be named, nor those of the certificate or of --origins
    hosts = "hosts" / "THOLE_HOSTS": Some("");
    /// Syllables of a join code: 4, or 6 where several servers share one store [default: 4]
    code_syllables = "code-syllables" / "THOLE_CODE_SYLLABLES": Some("4");
    /// Athletes in one session [default: 10000]
    athletes = "athletes-max" / "THOLE_ATHLETES_MAX": Some("10000");
    /// Sessions open at once [default: 2000]
    sessions = "sessions-max" / "THOLE_SESSIONS_MAX": Some("2000");
    /// Sessions made in one minute [default: 60]
    sessions_per_min = "sessions-per-min" / "THOLE_SESSIONS_PER_MIN": Some("60");
    /// Athletes joining by code in one second [default: 2000]
    joins_per_s = "joins-per-s" / "THOLE_JOINS_PER_S": Some("2000");
    /// Connections at once; the system's limit of open files must allow them [default: 20000]
    connections = "connections-max" / "THOLE_CONNECTIONS_MAX": Some("20000");
    /// Connections that have not said who they are [default: 1000]
    strangers = "strangers-max" / "THOLE_STRANGERS_MAX": Some("1000");
    /// Devices of the coach in one session [default: 3]
    coaches = "coaches-max" / "THOLE_COACHES_MAX": Some("3");
    /// Boards in one session [default: 8]
    boards = "boards-max" / "THOLE_BOARDS_MAX": Some("8");
    /// Messages a second from one connection, back-fill apart [default: 20]
    messages_per_s = "messages-per-s" / "THOLE_MESSAGES_PER_S": Some("20");
    /// Bytes of a message from somebody unknown, or from a board [default: 4096]
    stranger_bytes = "stranger-bytes" / "THOLE_STRANGER_BYTES": Some("4096");
    /// Bytes of a message from an athlete [default: 65536]
    athlete_bytes = "athlete-bytes" / "THOLE_ATHLETE_BYTES": Some("65536");
    /// Bytes of a message from a coach: rosters are long [default: 262144]
    coach_bytes = "coach-bytes" / "THOLE_COACH_BYTES": Some("262144");
    /// Seconds for TLS, for the request, and for saying who is there, each [default: 10]
    handshake_s = "handshake-s" / "THOLE_HANDSHAKE_S": Some("10");
    /// Seconds for sending one message [default: 5]
    send_s = "send-s" / "THOLE_SEND_S": Some("5");
    /// Seconds of silence after which a connection is closed [default: 25]
    silence_s = "silence-s" / "THOLE_SILENCE_S": Some("25");
    /// Seconds after which a session with nobody connected is closed from memory [default: 600]
    idle_s = "idle-s" / "THOLE_IDLE_S": Some("600");
    /// Hours for which links live after their session was closed [default: 24]
    links_h = "links-h" / "THOLE_LINKS_H": Some("24");
}

impl ServeArgs {
    /// Refuses a variable that looks like a setting and is none: mistyped, it would change nothing.
    ///
    /// # Errors
    /// One sentence that begins with the name of the first such variable.
    pub fn check_environment(names: impl IntoIterator<Item = String>) -> Result<(), String> {
        let unknown = names.into_iter().filter(|name| {
            name.starts_with("THOLE_")
                && !Self::VARIABLES.contains(&name.as_str())
                && !NOT_OURS.contains(&name.as_str())
        });
        unknown.min().map_or(Ok(()), |name| {
            Err(format!(
                "{name}: there is no such setting; `thole-server serve --help` lists them."
            ))
        })
    }

    /// The settings, judged one by one.
    ///
    /// # Errors
    /// One sentence that begins with the name of the wrong setting and says what is allowed.
    pub fn settings(self) -> Result<Settings, String> {
        let mut args = self;
        if let Some(file) = args.config.clone() {
            let text = std::fs::read_to_string(&file)
                .map_err(|error| format!("config: {} cannot be read ({error}).", file.display()))?;
            let table: toml::Table = toml::from_str(&text)
                .map_err(|error| format!("config: {} is no TOML: {error}", file.display()))?;
            for (name, value) in table {
                args.fill_in(&name, value)?;
            }
        }
        let args = args.or(ServeArgs::defaults());
        let data = path("data", args.data.unwrap_or_default(), "a folder")?;
        let self_made = self_made(args.tls_self_made)?;
        let tls = match (args.tls_cert, args.tls_key) {
            (None, None) if !self_made.is_empty() => Some(authority::files(&data)),
            _ if !self_made.is_empty() => {
                return Err("tls-self-made: with tls-cert and tls-key there is a certificate \
                            already; leave one of them out."
                    .to_owned());
            }
            (Some(cert), Some(key)) => {
                Some((path("tls-cert", cert, "a PEM file")?, path("tls-key", key, "a PEM file")?))
            }
            (None, None) => None,
            (Some(_), None) => return Err("tls-key: a certificate needs its key too.".to_owned()),
            (None, Some(_)) => return Err("tls-cert: a key needs its certificate too.".to_owned()),
        };
        let seconds = |name, value, most| {
            number(name, value, 1, most).map(|seconds: u64| Duration::from_secs(seconds))
        };
        let limits = Limits {
            athletes: number("athletes-max", args.athletes, 1, 100_000)?,
            sessions: number("sessions-max", args.sessions, 1, 1_000_000)?,
            sessions_per_min: number("sessions-per-min", args.sessions_per_min, 1, 100_000)?,
            joins_per_s: number("joins-per-s", args.joins_per_s, 1, 100_000)?,
            connections: number("connections-max", args.connections, 1, 1_000_000)?,
            strangers: number("strangers-max", args.strangers, 1, 1_000_000)?,
            coaches: number("coaches-max", args.coaches, 1, 100)?,
            boards: number("boards-max", args.boards, 1, 1_000)?,
            messages_per_s: number("messages-per-s", args.messages_per_s, 1, 10_000)?,
            stranger_bytes: number("stranger-bytes", args.stranger_bytes, 1_024, 65_536)?,
            athlete_bytes: number("athlete-bytes", args.athlete_bytes, 16_384, 1 << 20)?,
            coach_bytes: number("coach-bytes", args.coach_bytes, 16_384, 1 << 24)?,
            handshake: seconds("handshake-s", args.handshake_s, 60)?,
            send: seconds("send-s", args.send_s, 60)?,
            silence: seconds("silence-s", args.silence_s, 3_600)?,
            idle: seconds("idle-s", args.idle_s, 86_400)?,
            links: seconds("links-h", args.links_h, 8_760)? * 3_600,
        };
        Ok(Settings {
            listen: parsed("listen", args.listen, "an address and a port, such as 127.0.0.1:8737")?,
            data,
            tls,
            self_made,
            projection_model: args
                .projection_model
                .map(|file| path("projection-model", file, "a file"))
                .transpose()?,
            speed: number("speed", args.speed, 1, SPEED_MAX)?,
            origins: origins(args.origins)?,
            hosts: hosts(args.hosts)?,
            code_syllables: code_syllables(args.code_syllables)?,
            limits,
        })
    }
}

/// A value of the file as it would stand on the command line.
fn plain(name: &str, value: toml::Value) -> Result<String, String> {
    match value {
        toml::Value::String(text) => Ok(text),
        toml::Value::Integer(number) => Ok(number.to_string()),
        toml::Value::Array(values) => {
            let plain: Result<Vec<String>, String> =
                values.into_iter().map(|value| plain(name, value)).collect();
            Ok(plain?.join(","))
        }
        toml::Value::Float(_)
        | toml::Value::Boolean(_)
        | toml::Value::Datetime(_)
        | toml::Value::Table(_) => Err(format!("{name}: a text or a whole number is wanted.")),
    }
}

fn parsed<T: FromStr>(name: &str, value: Option<String>, wanted: &str) -> Result<T, String> {
    let value = value.unwrap_or_default();
    value.parse().map_err(|_| format!("{name}: {value:?} is not {wanted}."))
}

fn path(name: &str, value: String, wanted: &str) -> Result<PathBuf, String> {
    if value.is_empty() {
        return Err(format!("{name}: {value:?} is not {wanted}."));
    }
    Ok(PathBuf::from(value))
}

fn number<T>(name: &str, value: Option<String>, least: T, most: T) -> Result<T, String>
where
    T: FromStr + PartialOrd + Display,
{
    let wanted = format!("a whole number from {least} to {most}");
    let number: T = parsed(name, value.clone(), &wanted)?;
    if number < least || number > most {
        return Err(format!("{name}: {number} is not {wanted}."));
    }
    Ok(number)
}

fn self_made(value: Option<String>) -> Result<Vec<String>, String> {
    let Some(value) = value else { return Ok(Vec::new()) };
    value
        .split(',')
        .map(|name| authority::name(name.trim()).map_err(|says| format!("tls-self-made: {says}")))
        .collect()
}

fn hosts(value: Option<String>) -> Result<Vec<String>, String> {
    let value = value.unwrap_or_default();
    let names = value.split(',').map(str::trim).filter(|name| !name.is_empty());
    names.map(|name| authority::name(name).map_err(|says| format!("hosts: {says}"))).collect()
}

fn code_syllables(value: Option<String>) -> Result<Syllables, String> {
    match value.unwrap_or_default().as_str() {
        "4" => Ok(Syllables::Four),
        "6" => Ok(Syllables::Six),
        other => Err(format!("code-syllables: {other:?} is not 4 or 6.")),
    }
}

fn origins(value: Option<String>) -> Result<Vec<String>, String> {
    let value = value.unwrap_or_default();
    let origins: Vec<String> =
        value.split(',').map(str::trim).filter(|o| !o.is_empty()).map(str::to_owned).collect();
    for origin in &origins {
        let host = origin.strip_prefix("https://").or_else(|| origin.strip_prefix("http://"));
        if host.is_none_or(|host| host.is_empty() || host.contains('/')) {
            return Err(format!(
                "origins: {origin:?} is not an address such as https://club.example."
            ));
        }
    }
    Ok(origins)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use clap::{CommandFactory, FromArgMatches, Parser};

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: ServeArgs,
    }

    /// Settings that are no number.
    const WORDS: [&str; 10] = [
        "config",
        "listen",
        "data",
        "tls-cert",
        "tls-key",
        "tls-self-made",
        "projection-model",
        "origins",
        "hosts",
        "code-syllables",
    ];

    /// As typed; whatever environment the tests run in.
    fn typed(words: &[&str]) -> ServeArgs {
        let command = Line::command().mut_args(|arg| arg.env(None::<&str>));
        let matches = command.try_get_matches_from(["serve"].iter().chain(words)).unwrap();
        Line::from_arg_matches(&matches).unwrap().args
    }

    fn wrong(words: &[&str]) -> String {
        typed(words).settings().unwrap_err()
    }

    fn with_file(text: &str, words: &[&str]) -> Result<Settings, String> {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("thole.toml");
        std::fs::write(&file, text).unwrap();
        typed(&[words, &["--config", file.to_str().unwrap()]].concat()).settings()
    }

    #[test]
    fn nothing_said_is_a_server_for_this_machine_alone() {
        let settings = typed(&[]).settings().unwrap();
        assert!(settings.listen.ip().is_loopback());
        assert_eq!((settings.speed, settings.limits.athletes), (1, 10_000));
        assert_eq!((settings.tls, settings.origins.len()), (None, 0));
    }

    #[test]
    fn every_number_has_bounds_and_is_refused_by_its_name_outside_of_them() {
        let mut numbers = 0;
        for arg in Line::command().get_arguments() {
            let name = arg.get_long().unwrap();
            if WORDS.contains(&name) {
                continue;
            }
            let (flag, begins) = (format!("--{name}"), format!("{name}: "));
            for value in ["0", "99999999999", "many", "2.5", ""] {
                let says = wrong(&[&flag, value]);
                assert!(says.starts_with(&begins), "{flag} {value:?}: {says}");
                assert!(says.contains(" is not a whole number from 1"), "{flag} {value:?}: {says}");
            }
            numbers += 1;
        }
        assert_eq!(numbers, 18, "speed and the seventeen limits");
        assert_eq!(wrong(&["--speed", "101"]), "speed: 101 is not a whole number from 1 to 100.");
    }

    #[test]
    fn every_word_is_refused_by_its_name() {
        for (words, says) in [
            (["--listen", "everywhere"], "listen: \"everywhere\" is not an address and a port"),
            (["--data", ""], "data: \"\" is not a folder."),
            (["--tls-cert", "cert.pem"], "tls-key: a certificate needs its key too."),
            (["--tls-key", "key.pem"], "tls-cert: a key needs its certificate too."),
            (["--tls-self-made", ""], "tls-self-made: \"\" is not a name or an address"),
            (
                ["--tls-self-made", "gym.local,*"],
                "tls-self-made: \"*\" is not a name or an address",
            ),
            (["--origins", "club.example"], "origins: \"club.example\" is not an address"),
            (["--origins", "https://club.example/row"], "origins: "),
            (
                ["--hosts", "club.example:443"],
                "hosts: \"club.example:443\" is not a name or an address",
            ),
            (["--code-syllables", "5"], "code-syllables: \"5\" is not 4 or 6."),
            (["--config", "not-there.toml"], "config: not-there.toml cannot be read"),
        ] {
            assert!(wrong(&words).starts_with(says), "{words:?}: {}", wrong(&words));
        }
    }

    #[test]
    fn a_certificate_is_made_for_all_the_names_or_comes_from_elsewhere() {
        let names = ["--data", "kept", "--tls-self-made", "Gym.local, 192.168.7.20"];
        let settings = typed(&names).settings().unwrap();
        assert_eq!(settings.self_made, ["gym.local", "192.168.7.20"]);
        assert_eq!(settings.tls, Some(authority::files(Path::new("kept"))));
        let both = [&names[..], &["--tls-cert", "cert.pem", "--tls-key", "key.pem"]].concat();
        assert!(wrong(&both).starts_with("tls-self-made: with tls-cert and tls-key"));
        let cert = typed(&["--tls-cert", "cert.pem", "--tls-key", "key.pem"]).settings().unwrap();
        assert_eq!(cert.tls, Some(("cert.pem".into(), "key.pem".into())));
        assert!(cert.self_made.is_empty());
    }

    #[test]
    fn a_file_fills_in_what_was_not_said() {
        let file = "boards-max = 2\nspeed = 5\norigins = [\"https://club.example\"]\nlinks-h = 36";
        let settings = with_file(file, &["--speed", "7"]).unwrap();
        assert_eq!((settings.limits.boards, settings.speed), (2, 7), "a flag goes before the file");
        assert_eq!(settings.origins, ["https://club.example"]);
        assert_eq!(settings.limits.links, Duration::from_secs(36 * 3_600));
    }

    #[test]
    fn a_wrong_file_is_refused_by_the_name_in_it() {
        for (file, says) in [
            ("bords-max = 2", "bords-max: there is no such setting"),
            ("speed = 0", "speed: 0 is not a whole number from 1 to 100."),
            ("speed = true", "speed: a text or a whole number is wanted."),
            ("[limits]\nboards-max = 2", "limits: there is no such setting"),
            ("config = \"other.toml\"", "config: there is no such setting"),
        ] {
            let error = with_file(file, &[]).unwrap_err();
            assert!(error.starts_with(says), "{file}: {error}");
        }
        let error = with_file("speed 5", &[]).unwrap_err();
        assert!(error.starts_with("config: ") && error.contains("is no TOML"), "{error}");
    }

    #[test]
    fn a_variable_that_is_no_setting_is_refused_by_its_name() {
        let check =
            |names: &[&str]| ServeArgs::check_environment(names.iter().map(|n| (*n).into()));
        assert_eq!(check(&["HOME", "THOLE_SPEED", "THOLE_CONFIG", "THOLE_SERVER"]), Ok(()));
        let says = check(&["THOLE_SPEED", "THOLE_BORDS_MAX"]).unwrap_err();
        assert!(says.starts_with("THOLE_BORDS_MAX: there is no such setting"), "{says}");
    }

    #[test]
    fn help_tells_the_truth_and_variables_are_named_like_flags() {
        let defaults = ServeArgs::defaults();
        let told = |of: &str| {
            let command = Line::command();
            let arg = command.get_arguments().find(|arg| arg.get_long() == Some(of)).unwrap();
            arg.get_help().unwrap().to_string()
        };
        for (name, default) in [
            ("listen", &defaults.listen),
            ("data", &defaults.data),
            ("speed", &defaults.speed),
            ("code-syllables", &defaults.code_syllables),
            ("athletes-max", &defaults.athletes),
            ("sessions-max", &defaults.sessions),
            ("sessions-per-min", &defaults.sessions_per_min),
            ("joins-per-s", &defaults.joins_per_s),
            ("connections-max", &defaults.connections),
            ("strangers-max", &defaults.strangers),
            ("coaches-max", &defaults.coaches),
            ("boards-max", &defaults.boards),
            ("messages-per-s", &defaults.messages_per_s),
            ("stranger-bytes", &defaults.stranger_bytes),
            ("athlete-bytes", &defaults.athlete_bytes),
            ("coach-bytes", &defaults.coach_bytes),
            ("handshake-s", &defaults.handshake_s),
            ("send-s", &defaults.send_s),
            ("silence-s", &defaults.silence_s),
            ("idle-s", &defaults.idle_s),
            ("links-h", &defaults.links_h),
        ] {
            let default = format!("[default: {}]", default.as_deref().unwrap());
            assert!(told(name).contains(&default), "--{name}: {}", told(name));
        }
        for arg in Line::command().get_arguments() {
            let name = arg.get_long().unwrap().to_uppercase().replace('-', "_");
            assert_eq!(arg.get_env().unwrap().to_str().unwrap(), format!("THOLE_{name}"));
        }
    }
}
