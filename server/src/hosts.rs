//! Which names this server answers to.
//!
//! A page under a stranger's name that was made to point at this server (DNS rebinding) has the same origin as what
//! it finds here, so a browser lets it read everything. What gives it away is the name, in `Host`.

use std::{net::IpAddr, sync::Arc};

use hyper::{Request, Uri, Version, header};
use tokio_rustls::rustls::{
    client::verify_server_name,
    pki_types::{CertificateDer, ServerName},
    server::ParsedCertificate,
};

use crate::config::Settings;

/// Endings of names that no stranger on the Internet can own: RFC 6761 (localhost), RFC 6762 (local), RFC
/// 8375 (home.arpa), and the one that ICANN reserves for private use.
const OWN_ENDS: [&str; 4] = [".localhost", ".local", ".home.arpa", ".internal"];

/// The names that were given, and the certificate's.
#[derive(Clone, Debug, Default)]
pub struct Hosts {
    named: Vec<String>,
    certificate: Option<Arc<CertificateDer<'static>>>,
}

/// Why a request is not answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unasked {
    /// It names no host, or several (RFC 9112 section 3.2).
    NoHost,
    /// It names somebody else; the name, if it can be shown.
    Elsewhere(Option<String>),
}

impl Hosts {
    /// Those of the settings; `certificate` is what the server shows, if it speaks TLS.
    #[must_use]
    pub fn of(settings: &Settings, certificate: Option<CertificateDer<'static>>) -> Hosts {
        let origins = settings.origins.iter().filter_map(|origin| origin.parse::<Uri>().ok());
        let origins = origins.filter_map(|origin| Some(origin.host()?.to_ascii_lowercase()));
        let named = settings
            .hosts
            .iter()
            .chain(settings.self_made.iter().flatten())
            .cloned()
            .chain(origins);
        Hosts { named: named.collect(), certificate: certificate.map(Arc::new) }
    }

    /// Whether a request is for this server.
    ///
    /// # Errors
    /// It is not, or does not say.
    pub fn check<T>(&self, request: &Request<T>) -> Result<(), Unasked> {
        let mut asked = request.headers().get_all(header::HOST).iter();
        let host = match (request.uri().authority(), asked.next(), asked.next()) {
            // The target takes precedence over the header (RFC 9112 section 3.2.2).
            (Some(target), _, None) => target.as_str(),
            (None, Some(host), None) => host.to_str().map_err(|_| Unasked::Elsewhere(None))?,
            // No browser speaks HTTP/1.0, but a program that watches whether the server is up may.
            (None, None, _) if request.version() == Version::HTTP_10 => return Ok(()),
            (_, _, Some(_)) | (None, None, None) => return Err(Unasked::NoHost),
        };
        let name = without_port(host).ok_or(Unasked::Elsewhere(None))?;
        if self.answers_to(&name) { Ok(()) } else { Err(Unasked::Elsewhere(Some(name))) }
    }

    fn answers_to(&self, name: &str) -> bool {
        // An address is where the browser went; only a name can be made to point elsewhere. Names without a dot are
        // looked up only in the local network.
        name.parse::<IpAddr>().is_ok()
            || !name.contains('.')
            || OWN_ENDS.iter().any(|end| name.ends_with(end))
            || self.named.iter().any(|named| named == name)
            || self.is_certified(name)
    }

    fn is_certified(&self, name: &str) -> bool {
        let Some(certificate) = self.certificate.as_deref() else { return false };
        let (Ok(parsed), Ok(name)) =
            (ParsedCertificate::try_from(certificate), ServerName::try_from(name))
        else {
            return false;
        };
        verify_server_name(&parsed, &name).is_ok()
    }
}

/// Just the name or address, in lower case; `None` for what is neither.
fn without_port(host: &str) -> Option<String> {
    let (name, port) = match host.strip_prefix('[').and_then(|six| six.split_once(']')) {
        Some((six, after)) => (six, after),
        None => host.split_at(host.find(':').unwrap_or(host.len())),
    };
    let is_port = port.is_empty()
        || port.strip_prefix(':').is_some_and(|port| port.bytes().all(|b| b.is_ascii_digit()));
    // The root's dot does not change whose name it is.
    let name = name.strip_suffix('.').unwrap_or(name).to_ascii_lowercase();
    (is_port && ServerName::try_from(name.as_str()).is_ok()).then_some(name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::ServeArgs;

    #[test]
    fn names_of_the_own_network_are_answered_to_and_those_of_strangers_are_not() {
        let args = ServeArgs::default()
            .with("hosts", "row.club.example")
            .with("origins", "https://Pages.example:8443");
        let hosts = Hosts::of(&args.settings().unwrap(), None);
        let asked =
            |host: &str| hosts.check(&Request::get("/").header("host", host).body(()).unwrap());
        for own in [
            "127.0.0.1:8737",
            "192.168.7.20",
            "[::1]:8737",
            "[fe80::12]",
            "localhost:1",
            "gym",
            "CLUB.local:8737",
            "club.local.",
            "row.club.example",
            "pages.example",
            "erg.home.arpa",
            "a.localhost",
            "gym.internal:80",
        ] {
            assert_eq!(asked(own), Ok(()), "{own}");
        }
        for strange in [
            "evil.example",
            "evil.example:8737",
            "row.club.example.evil.example",
            "evil.row.club.example",
            "127.0.0.1.evil.example",
            "notlocal.example",
            "local.example",
            "xlocal.test",
        ] {
            assert!(matches!(asked(strange), Err(Unasked::Elsewhere(Some(_)))), "{strange}");
        }
        for neither in
            ["", "a b", "localhost:80:90", "[::1", "<script>", "user@localhost", "localhost/x"]
        {
            assert_eq!(asked(neither), Err(Unasked::Elsewhere(None)), "{neither}");
        }
    }

    #[test]
    fn a_request_that_names_none_or_two_is_no_request() {
        let hosts = Hosts::default();
        let none = Request::get("/").body(()).unwrap();
        assert_eq!(hosts.check(&none), Err(Unasked::NoHost));
        let old = Request::get("/").version(Version::HTTP_10).body(()).unwrap();
        assert_eq!(hosts.check(&old), Ok(()));
        let two = Request::get("/").header("host", "localhost").header("host", "evil.example");
        assert_eq!(hosts.check(&two.body(()).unwrap()), Err(Unasked::NoHost));
        let target = Request::get("http://evil.example/ws").header("host", "localhost");
        assert!(matches!(hosts.check(&target.body(()).unwrap()), Err(Unasked::Elsewhere(_))));
    }
}
