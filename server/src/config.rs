//! Settings: by flag, by environment (`THOLE_…`), or by a TOML file, in this order; a wrong one is refused
//! by its name.

mod value;

use std::{
    net::{IpAddr, SocketAddr},
    path::PathBuf,
    time::Duration,
};

use clap::Args;

use thole_protocol::ids::Syllables;

use self::value::{
    code_syllables, header_name, hosts, inner_listen, log_format, number, open, origins, parsed,
    path, plain, proxies, self_made,
};
use crate::{authority, inner::InnerListen, limits::Limits, logs::LogFormat};

/// Faster than this, the heartbeats of a class would be all that a machine does.
const SPEED_MAX: u32 = 100;

/// Where an operator looks if nothing else is said.
const INNER_LISTEN: &str = "127.0.0.1:8738";

/// Variables of other programs of ours, which may stand in the same environment.
const NOT_OURS: [&str; 4] = ["THOLE_KEY", "THOLE_SERVER", "THOLE_SERVER_PROGRAM", "THOLE_WEB"];

/// What a server is set to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Where `/metrics` and `/readyz` answer.
    pub inner_listen: InnerListen,
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
    /// Addresses of proxies that are believed when they say for whom they speak.
    pub proxies: Vec<IpAddr>,
    /// Header in which they say it.
    pub client_address_header: String,
    /// Names, besides those that nobody else can have, by which a browser may ask for the pages.
    pub hosts: Vec<String>,
    /// How long the join codes of new sessions are.
    pub code_syllables: Syllables,
    /// Whoever can reach the server may make sessions.
    pub open: bool,
    /// How the log is written.
    pub log_format: LogFormat,
    /// What was set otherwise than usual, as `name=value`, in the order of `--help`.
    pub differs: Vec<String>,
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
            /// Lets anyone who can reach the server make sessions, not only who has the head coach's link
            #[arg(
                long, env = "THOLE_OPEN", value_name = "yes|no", num_args = 0..=1, require_equals = true,
                default_missing_value = "yes"
            )]
            pub open: Option<String>,
            $(
                $(#[doc = $doc])+
                #[arg(long = $name, env = $env, value_name = "VALUE")]
                pub $field: Option<String>,
            )*
        }

        impl ServeArgs {
            const VARIABLES: &[&str] = &["THOLE_CONFIG", "THOLE_OPEN", $($env),*];

            /// Fills in from a file what neither flag nor environment has said.
            fn fill_in(&mut self, name: &str, value: toml::Value) -> Result<(), String> {
                match name {
                    "open" => {
                        let plain = match value {
                            toml::Value::Boolean(open) => if open { "yes" } else { "no" }.to_owned(),
                            other => plain(name, other)?,
                        };
                        self.open.get_or_insert(plain);
                    }
                    $($name => { self.$field.get_or_insert(plain(name, value)?); })*
                    other => return Err(format!(
                        "{other}: there is no such setting; `thole-server serve --help` lists them."
                    )),
                }
                Ok(())
            }

            fn defaults() -> ServeArgs {
                ServeArgs { config: None, open: None, $($field: $default.map(str::to_owned),)* }
            }

            /// What is set otherwise than in `usual`.
            fn other_than(&self, usual: &ServeArgs) -> Vec<String> {
                let said = [$(($name, &self.$field, &usual.$field)),*];
                let open = ("open", &self.open, &usual.open);
                let said = said.into_iter().chain([open]);
                let other = said.filter(|(_, value, usual)| value != usual);
                other.filter_map(|(name, value, _)| Some(format!("{name}={}", value.as_ref()?))).collect()
            }

            fn or(self, other: ServeArgs) -> ServeArgs {
                ServeArgs { config: self.config, open: self.open.or(other.open), $($field: self.$field.or(other.$field),)* }
            }
        }
    };
}

settings! {
    /// Address and port to listen on [default: 127.0.0.1:8737]
    listen = "listen" / "THOLE_LISTEN": Some("127.0.0.1:8737");
    /// Address and port of /metrics and /readyz, for whoever runs the server, or off; not for strangers
    /// [default: 127.0.0.1:8738]
    inner_listen = "inner-listen" / "THOLE_INNER_LISTEN": Some(INNER_LISTEN);
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
    /// Addresses of proxies in front of this server, separated by commas; of these alone the client's address is
    /// taken from the header below
    proxies = "proxies" / "THOLE_PROXIES": Some("");
    /// Header in which those proxies name the client [default: x-forwarded-for]
    client_address_header = "client-address-header" / "THOLE_CLIENT_ADDRESS_HEADER": Some("x-forwarded-for");
    /// Names of this server on the Internet, separated by commas, such as club.example; addresses, names without a
    /// dot and .local names need not be named, nor those of the certificate or of --origins
    hosts = "hosts" / "THOLE_HOSTS": Some("");
    /// Syllables of a join code: 4, or 6 where several servers share one store [default: 4]
    code_syllables = "code-syllables" / "THOLE_CODE_SYLLABLES": Some("4");
    /// How the log is written, text or json [default: text]
    log_format = "log-format" / "THOLE_LOG_FORMAT": Some("text");
    /// Athletes in one session [default: 10000]
    athletes = "athletes-max" / "THOLE_ATHLETES_MAX": Some("10000");
    /// Sessions open at once [default: 2000]
    sessions = "sessions-max" / "THOLE_SESSIONS_MAX": Some("2000");
    /// Sessions made in one minute [default: 60]
    sessions_per_min = "sessions-per-min" / "THOLE_SESSIONS_PER_MIN": Some("60");
    /// Athletes joining by code in one second [default: 2000]
    joins_per_s = "joins-per-s" / "THOLE_JOINS_PER_S": Some("2000");
    /// Free MiB on the disk of the data folder below which it is warned; below a quarter of that no new sessions are
    /// made [default: 1024]
    disk_low_mib = "disk-low-mib" / "THOLE_DISK_LOW_MIB": Some("1024");
    /// Connections at once; as many as fit into the system's limit of open files [default: 20000]
    connections = "connections-max" / "THOLE_CONNECTIONS_MAX": Some("20000");
    /// Connections that have not said who they are [default: 1000]
    strangers = "strangers-max" / "THOLE_STRANGERS_MAX": Some("1000");
    /// Connections at once from one address, or one /64 of IPv6 [default: 15000]
    connections_per_address = "connections-per-address" / "THOLE_CONNECTIONS_PER_ADDRESS": Some("15000");
    /// Connections of one address that have not said what they want; the oldest gives way [default: 256]
    strangers_per_address = "strangers-per-address" / "THOLE_STRANGERS_PER_ADDRESS": Some("256");
    /// Wrong codes of one address in one go; one a second comes back [default: 60]
    wrong_codes = "wrong-codes" / "THOLE_WRONG_CODES": Some("60");
    /// Sessions made from one address in one minute [default: 30]
    sessions_per_min_address = "sessions-per-min-address" / "THOLE_SESSIONS_PER_MIN_ADDRESS": Some("30");
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
    /// Days for which links of a session live that nobody has closed, from when it was made [default: 90]
    open_links_days = "open-links-days" / "THOLE_OPEN_LINKS_DAYS": Some("90");
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
        let inner_listen = inner_listen(args.inner_listen.clone(), INNER_LISTEN)?;
        let args = args.or(ServeArgs::defaults());
        let differs = args.other_than(&ServeArgs::defaults());
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
            connections_per_address: number(
                "connections-per-address",
                args.connections_per_address,
                1,
                1_000_000,
            )?,
            strangers_per_address: number(
                "strangers-per-address",
                args.strangers_per_address,
                1,
                1_000_000,
            )?,
            wrong_codes: number("wrong-codes", args.wrong_codes, 1, 1_000_000)?,
            sessions_per_min_address: number(
                "sessions-per-min-address",
                args.sessions_per_min_address,
                1,
                100_000,
            )?,
            disk_low: number("disk-low-mib", args.disk_low_mib, 1_u64, 1 << 30)? << 20,
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
            open_links: seconds("open-links-days", args.open_links_days, 3_660)? * 86_400,
        };
        Ok(Settings {
            listen: parsed("listen", args.listen, "an address and a port, such as 127.0.0.1:8737")?,
            inner_listen,
            data,
            tls,
            self_made,
            projection_model: args
                .projection_model
                .map(|file| path("projection-model", file, "a file"))
                .transpose()?,
            speed: number("speed", args.speed, 1, SPEED_MAX)?,
            origins: origins(args.origins)?,
            proxies: proxies(args.proxies)?,
            client_address_header: header_name(args.client_address_header)?,
            hosts: hosts(args.hosts)?,
            code_syllables: code_syllables(args.code_syllables)?,
            open: open(args.open)?,
            log_format: log_format(args.log_format)?,
            differs,
            limits,
        })
    }
}

#[cfg(test)]
mod tests;
