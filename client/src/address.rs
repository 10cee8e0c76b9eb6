//! Where a server is, and the links that open a session there: as coach, as athlete, as board.

use std::fmt;

use thole_protocol::{client_msg::Role, ids::JoinCode};

/// The server's port when the address names none.
pub const DEFAULT_PORT: u16 = 8737;

/// Where a server is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Address {
    /// Whether the connection is encrypted (`wss://`, `https://`).
    pub tls: bool,
    /// Name or number of the machine, without the brackets of a version 6 number.
    pub host: String,
    /// Port.
    pub port: u16,
}

/// A link that opens somebody's place in a session.
#[derive(Clone, PartialEq, Eq)]
pub struct PlaceLink {
    /// The server.
    pub address: Address,
    /// Who it opens the session for.
    pub role: Role,
    /// The session's join code.
    pub code: Option<JoinCode>,
    /// The secret; it comes after the `#`, so no server log ever has it.
    pub secret: String,
}

impl Address {
    /// Reads `ws://host:port` or one of `wss`, `http`, `https`; without a scheme, `ws`. What comes after the
    /// host is ignored.
    ///
    /// # Errors
    /// A sentence that says what to type.
    ///
    /// ```
    /// use thole::address::Address;
    /// let here = Address::read("ws://127.0.0.1:9000").unwrap();
    /// assert_eq!((here.host.as_str(), here.port, here.tls), ("127.0.0.1", 9000, false));
    /// assert_eq!(Address::read("https://row.example").unwrap().port, 443);
    /// ```
    pub fn read(typed: &str) -> Result<Address, String> {
        let wrong = || {
            format!(
                "\"{}\" is not a server address; type one like ws://127.0.0.1:{DEFAULT_PORT}.",
                without_secret(typed)
            )
        };
        let (scheme, rest) = typed.trim().split_once("://").unwrap_or(("ws", typed.trim()));
        let (tls, default_port) = match scheme {
            "ws" => (false, DEFAULT_PORT),
            "http" => (false, 80),
            "wss" | "https" => (true, 443),
            _ => return Err(wrong()),
        };
        let authority = rest.split(['/', '?', '#']).next().unwrap_or_default();
        let (host, port) = match authority.strip_prefix('[') {
            Some(six) => {
                let (host, after) = six.split_once(']').ok_or_else(wrong)?;
                (host, after.strip_prefix(':'))
            }
            None => match authority.rsplit_once(':') {
                Some((host, port)) => (host, Some(port)),
                None => (authority, None),
            },
        };
        if host.is_empty() || host.contains(|c: char| c.is_whitespace() || c == ':' && !six(host)) {
            return Err(wrong());
        }
        let port = match port {
            Some(port) => port.parse().map_err(|_| wrong())?,
            None => default_port,
        };
        Ok(Address { tls, host: host.to_owned(), port })
    }

    /// Host and port as they appear in an address.
    #[must_use]
    pub fn authority(&self) -> String {
        if six(&self.host) {
            format!("[{}]:{}", self.host, self.port)
        } else {
            format!("{}:{}", self.host, self.port)
        }
    }

    /// The address of the WebSocket.
    #[must_use]
    pub fn socket(&self) -> String {
        format!("{}://{}/ws", if self.tls { "wss" } else { "ws" }, self.authority())
    }

    /// The address of a page of this server; `path` begins with `/`.
    #[must_use]
    pub fn page(&self, path: &str) -> String {
        format!("{}://{}{path}", if self.tls { "https" } else { "http" }, self.authority())
    }
}

impl Default for Address {
    fn default() -> Self {
        Address { tls: false, host: "127.0.0.1".into(), port: DEFAULT_PORT }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}://{}", if self.tls { "wss" } else { "ws" }, self.authority())
    }
}

impl PlaceLink {
    /// Reads a link such as `http://host/row/KAMURETA#secret`; `/coach/` and `/board/` likewise.
    ///
    /// # Errors
    /// A sentence that says what to paste; it never repeats a secret.
    ///
    /// ```
    /// use thole::address::PlaceLink;
    /// let link = PlaceLink::read("http://127.0.0.1:9000/row/KAMURETA#abc").unwrap();
    /// assert_eq!(link.secret, "abc");
    /// assert_eq!(link.to_string(), "http://127.0.0.1:9000/row/KAMURETA#abc");
    /// ```
    pub fn read(typed: &str) -> Result<PlaceLink, String> {
        let (place, secret) = typed.trim().split_once('#').unwrap_or((typed.trim(), ""));
        if secret.is_empty() {
            return Err(
                "This link has no secret behind a #; paste the whole link as you got it.".into()
            );
        }
        let address = Address::read(place)?;
        let path = place.split_once("://").map_or(place, |(_, rest)| rest);
        let mut parts = path.split('/').skip(1);
        let role = match parts.next() {
            Some("row") => Role::Athlete,
            Some("coach") => Role::Coach,
            Some("board") => Role::Board,
            Some(_) | None => {
                return Err(
                    "This is not a link into a session; one has /row/, /coach/ or /board/ \
                            in it, then the code, then # and a secret."
                        .into(),
                );
            }
        };
        let code = parts.next().and_then(JoinCode::read);
        Ok(PlaceLink { address, role, code, secret: secret.to_owned() })
    }
}

/// The whole link with its secret, to be handed to the person whose place it opens.
impl fmt::Display for PlaceLink {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let page = match self.role {
            Role::Athlete => "row",
            Role::Coach => "coach",
            Role::Board => "board",
        };
        let code = self.code.as_ref().map_or("", JoinCode::as_str);
        write!(f, "{}#{}", self.address.page(&format!("/{page}/{code}")), self.secret)
    }
}

/// Without the secret, which must never reach a log.
impl fmt::Debug for PlaceLink {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("PlaceLink")
            .field("address", &self.address)
            .field("role", &self.role)
            .field("code", &self.code)
            .finish_non_exhaustive()
    }
}

fn six(host: &str) -> bool {
    host.parse::<std::net::Ipv6Addr>().is_ok()
}

fn without_secret(typed: &str) -> &str {
    typed.split('#').next().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_of_every_scheme_and_family() {
        for (typed, socket) in [
            ("ws://127.0.0.1:8737", "ws://127.0.0.1:8737/ws"),
            ("127.0.0.1", "ws://127.0.0.1:8737/ws"),
            ("http://gym.example/", "ws://gym.example:80/ws"),
            ("wss://gym.example", "wss://gym.example:443/ws"),
            ("https://[::1]:9443/row/X#s", "wss://[::1]:9443/ws"),
        ] {
            assert_eq!(Address::read(typed).map(|a| a.socket()), Ok(socket.into()), "{typed}");
        }
        for typed in ["", "ftp://gym.example", "ws://", "ws://gym:port", "ws://two words:1"] {
            let says = Address::read(typed).expect_err(typed);
            assert!(says.contains("type one like ws://"), "{says}");
        }
    }

    #[test]
    fn a_secret_is_in_no_message_about_a_link() {
        let link = PlaceLink::read("https://gym.example/board/KAMURETA#verysecret").unwrap();
        assert_eq!(link.role, Role::Board);
        assert!(!format!("{link:?}").contains("verysecret"));
        for typed in ["ftp://x/row/A#verysecret", "http://x/sing/A#verysecret"] {
            assert!(!PlaceLink::read(typed).expect_err(typed).contains("verysecret"));
        }
        assert!(PlaceLink::read("http://x/row/KAMURETA").expect_err("no secret").contains('#'));
    }
}
