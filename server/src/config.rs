//! Settings: by flag, by environment (`THOLE_…`), or by a TOML file, in this order; a wrong one is refused
//! by its name.

use std::{fmt::Display, net::SocketAddr, path::PathBuf, str::FromStr, time::Duration};

use clap::Args;

use crate::limits::Limits;

/// Faster than this, the heartbeats of a class would be all that a machine does.
const SPEED_MAX: u32 = 100;

/// What a server is set to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Folder of the journal.
    pub data: PathBuf,
    /// Certificate and key, as PEM files; without them plain HTTP.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// How many times faster than life; for rehearsal and tests.
    pub speed: u32,
    /// Pages of other addresses that may connect, such as `https://club.example`.
    pub origins: Vec<String>,
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
            /// Fills in from a file what neither flag nor environment has said.
            fn fill_in(&mut self, name: &str, value: String) -> Result<(), String> {
                match name {
                    $($name => { self.$field.get_or_insert(value); })*
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
    /// So many times faster than life, for rehearsal and tests: 1 to 100 [default: 1]
    speed = "speed" / "THOLE_SPEED": Some("1");
    /// Other addresses whose pages may connect, separated by commas, such as https://club.example
    origins = "origins" / "THOLE_ORIGINS": Some("");
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
                args.fill_in(&name, plain(&name, value)?)?;
            }
        }
        let args = args.or(ServeArgs::defaults());
        let tls = match (args.tls_cert, args.tls_key) {
            (Some(cert), Some(key)) => Some((PathBuf::from(cert), PathBuf::from(key))),
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
            data: parsed("data", args.data, "a folder")?,
            tls,
            speed: number("speed", args.speed, 1, SPEED_MAX)?,
            origins: origins(args.origins)?,
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
    use super::*;

    fn wrong(args: ServeArgs) -> String {
        args.settings().unwrap_err()
    }

    fn set(set: impl FnOnce(&mut ServeArgs)) -> ServeArgs {
        let mut args = ServeArgs::default();
        set(&mut args);
        args
    }

    #[test]
    fn nothing_said_is_a_server_for_this_machine_alone() {
        let settings = ServeArgs::default().settings().unwrap();
        assert!(settings.listen.ip().is_loopback());
        assert_eq!((settings.speed, settings.limits.athletes), (1, 10_000));
    }

    #[test]
    fn a_wrong_setting_is_refused_by_its_name() {
        let speed = wrong(set(|args| args.speed = Some("0".into())));
        assert_eq!(speed, "speed: 0 is not a whole number from 1 to 100.");
        let listen = wrong(set(|args| args.listen = Some("everywhere".into())));
        assert!(listen.starts_with("listen: \"everywhere\" is not an address"), "{listen}");
        let key = wrong(set(|args| args.tls_cert = Some("cert.pem".into())));
        assert_eq!(key, "tls-key: a certificate needs its key too.");
        let origin = wrong(set(|args| args.origins = Some("club.example".into())));
        assert!(origin.starts_with("origins: "), "{origin}");
    }

    #[test]
    fn a_file_fills_in_what_was_not_said_and_an_unknown_name_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("thole.toml");
        std::fs::write(&file, "boards-max = 2\nspeed = 5\norigins = [\"https://club.example\"]")
            .unwrap();
        let args = set(|args| {
            args.config = Some(file.clone());
            args.speed = Some("7".into());
        });
        let settings = args.settings().unwrap();
        assert_eq!((settings.limits.boards, settings.speed), (2, 7), "a flag goes before the file");
        assert_eq!(settings.origins, ["https://club.example"]);
        std::fs::write(&file, "bords-max = 2").unwrap();
        let unknown = wrong(set(|args| args.config = Some(file)));
        assert!(unknown.starts_with("bords-max: there is no such setting"), "{unknown}");
    }
}
