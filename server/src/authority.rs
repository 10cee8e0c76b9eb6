//! A certificate of one's own: a small authority for the names of this server only, made once, and what to do
//! on each device so that it is trusted.
//!
//! Browsers let a page use Bluetooth and keep a screen on only over HTTPS with a certificate that they trust; a
//! computer in a gym has no public name to get one for.

use std::{
    fs::{self, DirBuilder, OpenOptions},
    io::{self, Write},
    net::IpAddr,
    os::unix::fs::{DirBuilderExt, OpenOptionsExt},
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use rcgen::{
    BasicConstraints, CertificateParams, CidrSubnet, DistinguishedName, DnType,
    ExtendedKeyUsagePurpose, GeneralSubtree, IsCa, Issuer, KeyPair, KeyUsagePurpose,
    NameConstraints, date_time_ymd,
};
use sha2::{Digest, Sha256};
use tokio_rustls::rustls::{
    self, CertificateError, RootCertStore,
    client::{WebPkiServerVerifier, danger::ServerCertVerifier},
    pki_types::{CertificateDer, ServerName, UnixTime, pem::PemObject},
};

use crate::clock::Clock;

/// Folder of all of it, within the data folder.
const FOLDER: &str = "tls";
const AUTHORITY: &str = "authority.crt";
const SERVER: &str = "server.crt";
const SERVER_KEY: &str = "server-key.pem";
const DAY: Duration = Duration::from_secs(86_400);
/// A clock that is a little slow is no reason to refuse.
const BEFORE: Duration = DAY;
/// Apple's devices accept no server certificate that is valid for more than 825 days
/// (support.apple.com/103769); the authority, which has vouched only for this one, lives as long.
const VALID: Duration = Duration::from_secs(820 * 86_400);
/// This long before the certificate ends, the server mentions it at each start.
const SAYS_BEFORE: Duration = Duration::from_secs(30 * 86_400);

/// What there is now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Certificate {
    /// Made just now; in plain words, how devices come to trust it.
    Made(String),
    /// Was there and fits.
    Known {
        /// The authority that devices trust.
        authority: PathBuf,
        /// A sentence, when it ends soon.
        ends_soon: Option<String>,
    },
}

/// A name or an address that a certificate can be made for.
///
/// # Errors
/// One sentence without the name of the setting.
pub fn name(text: &str) -> Result<String, String> {
    // What is allowed in a certificate is what a client will look for in it.
    match ServerName::try_from(text) {
        Ok(_) => Ok(text.to_ascii_lowercase()),
        Err(_) => Err(format!(
            "{text:?} is not a name or an address of this computer, such as gym.local or 192.168.7.20."
        )),
    }
}

/// Where the server's certificate and key are, in this data folder.
#[must_use]
pub fn files(data: &Path) -> (PathBuf, PathBuf) {
    let folder = data.join(FOLDER);
    (folder.join(SERVER), folder.join(SERVER_KEY))
}

/// Makes an authority and a certificate for these names in the data folder, or finds that the ones already
/// there fit. Nothing that is there is ever overwritten.
///
/// # Errors
/// What is there does not fit these names, is incomplete or has ended, or a file cannot be written; says what to
/// do.
pub fn prepare(data: &Path, names: &[String], clock: Clock) -> Result<Certificate, String> {
    let folder = data.join(FOLDER);
    let parts = [AUTHORITY, SERVER, SERVER_KEY];
    let (there, missing): (Vec<&str>, Vec<&str>) =
        parts.iter().partition(|part| folder.join(part).exists());
    if there.is_empty() {
        return make(&folder, names, clock).map(Certificate::Made);
    }
    if !missing.is_empty() {
        return Err(refused(
            &folder,
            &format!("{} is there without {}", there.join(", "), missing.join(", ")),
        ));
    }
    let now = since_1970(clock);
    check(&folder, names, now).map_err(|why| refused(&folder, &why))?;
    let ends_soon = check(&folder, names, now + SAYS_BEFORE)
        .is_err()
        .then(|| format!("The certificate ends within 30 days. {}", advice(&folder)));
    Ok(Certificate::Known { authority: folder.join(AUTHORITY), ends_soon })
}

fn since_1970(clock: Clock) -> Duration {
    Duration::from_millis(clock.unix_ms())
}

fn refused(folder: &Path, why: &str) -> String {
    format!("tls-self-made: {why}, and nothing is overwritten. {}", advice(folder))
}

fn advice(folder: &Path) -> String {
    format!(
        "Move the folder {} away and start again: a new authority is made, and each device has to be told to \
         trust it.",
        folder.display()
    )
}

/// Whether a device that trusts the authority would accept the certificate for each of these names.
fn check(folder: &Path, names: &[String], now: Duration) -> Result<(), String> {
    let read = |part: &str| {
        CertificateDer::from_pem_file(folder.join(part))
            .map_err(|error| format!("{part} cannot be read ({error})"))
    };
    let mut roots = RootCertStore::empty();
    roots
        .add(read(AUTHORITY)?)
        .map_err(|error| format!("{AUTHORITY} is not an authority ({error})"))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), provider)
        .build()
        .map_err(|error| format!("{AUTHORITY} is not an authority ({error})"))?;
    let server = read(SERVER)?;
    for name in names {
        let asked =
            ServerName::try_from(name.as_str()).map_err(|error| format!("{name}: {error}"))?;
        let now = UnixTime::since_unix_epoch(now);
        verifier
            .verify_server_cert(&server, &[], &asked, &[], now)
            .map_err(|error| words(&error, name))?;
    }
    Ok(())
}

/// Why a certificate would not be accepted for this name.
fn words(error: &rustls::Error, name: &str) -> String {
    let rustls::Error::InvalidCertificate(why) = error else {
        return format!("the certificate that is there cannot be used ({error})");
    };
    let for_others = matches!(
        why,
        CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. }
    );
    if for_others {
        format!("the certificate that is there is not for {name}")
    } else if matches!(why, CertificateError::Expired | CertificateError::ExpiredContext { .. }) {
        "the certificate that is there has ended".to_owned()
    } else {
        format!("the certificate that is there cannot be used ({error})")
    }
}

/// Makes everything and writes it; the server's key is readable only by this user. The authority's own key is
/// never written: devices trust something that can vouch for nothing more.
fn make(folder: &Path, names: &[String], clock: Clock) -> Result<String, String> {
    let wrong =
        |error: rcgen::Error| format!("tls-self-made: no certificate can be made ({error}).");
    let now = since_1970(clock);
    let authority_key = KeyPair::generate().map_err(wrong)?;
    let authority_params = authority_for(names, now).map_err(wrong)?;
    let authority = authority_params.self_signed(&authority_key).map_err(wrong)?;
    let issuer = Issuer::from_params(&authority_params, &authority_key);
    let server_key = KeyPair::generate().map_err(wrong)?;
    let server = server_for(names, now).map_err(wrong)?;
    let server = server.signed_by(&server_key, &issuer).map_err(wrong)?;
    let files = [
        (SERVER_KEY, 0o600, server_key.serialize_pem()),
        (SERVER, 0o644, server.pem()),
        (AUTHORITY, 0o644, authority.pem()),
    ];
    DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
        .map_err(|error| unwritten(folder, &error))?;
    for (part, mode, text) in files {
        let file = folder.join(part);
        write_new(&file, mode, &text).map_err(|error| unwritten(&file, &error))?;
    }
    let synced = fs::File::open(folder).and_then(|folder| folder.sync_all());
    synced.map_err(|error| unwritten(folder, &error))?;
    check(folder, names, now).map_err(|why| refused(folder, &why))?;
    Ok(how_to_trust(&folder.join(AUTHORITY), authority.der(), names))
}

fn unwritten(file: &Path, error: &io::Error) -> String {
    format!("tls-self-made: {} cannot be written ({error}).", file.display())
}

fn write_new(file: &Path, mode: u32, text: &str) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create_new(true).mode(mode).open(file)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

/// An authority that can vouch for these names and no others, as anybody who is asked to trust it can see.
fn authority_for(names: &[String], now: Duration) -> Result<CertificateParams, rcgen::Error> {
    let mut params = CertificateParams::default();
    dated(&mut params, now);
    params.distinguished_name = called(&format!("Thole at {}", names.join(", ")));
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    let permitted: Vec<GeneralSubtree> = names.iter().map(|name| allowed(name)).collect();
    let has = |of: fn(&GeneralSubtree) -> bool| permitted.iter().any(of);
    // A kind of name of which none is permitted is not restricted (RFC 5280, 4.2.1.10), so it is excluded.
    let mut excluded = Vec::new();
    if !has(|tree| matches!(tree, GeneralSubtree::DnsName(_))) {
        excluded.push(GeneralSubtree::DnsName(String::new()));
    }
    if !has(|tree| matches!(tree, GeneralSubtree::IpAddress(_))) {
        excluded.push(GeneralSubtree::IpAddress(CidrSubnet::V4([0; 4], [0; 4])));
        excluded.push(GeneralSubtree::IpAddress(CidrSubnet::V6([0; 16], [0; 16])));
    }
    params.name_constraints =
        Some(NameConstraints { permitted_subtrees: permitted, excluded_subtrees: excluded });
    Ok(params)
}

fn allowed(name: &str) -> GeneralSubtree {
    match name.parse() {
        Ok(IpAddr::V4(ip)) => GeneralSubtree::IpAddress(CidrSubnet::V4(ip.octets(), [u8::MAX; 4])),
        Ok(IpAddr::V6(ip)) => GeneralSubtree::IpAddress(CidrSubnet::V6(ip.octets(), [u8::MAX; 16])),
        Err(_) => GeneralSubtree::DnsName(name.to_owned()),
    }
}

fn server_for(names: &[String], now: Duration) -> Result<CertificateParams, rcgen::Error> {
    let mut params = CertificateParams::new(names)?;
    dated(&mut params, now);
    params.distinguished_name = called("Thole");
    params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    params.use_authority_key_identifier_extension = true;
    Ok(params)
}

fn dated(params: &mut CertificateParams, now: Duration) {
    let epoch = date_time_ymd(1970, 1, 1);
    params.not_before = epoch + now.saturating_sub(BEFORE);
    params.not_after = epoch + now + VALID;
}

fn called(name: &str) -> DistinguishedName {
    let mut called = DistinguishedName::new();
    // X.520 allows 64 characters for a common name.
    called.push(DnType::CommonName, name.chars().take(64).collect::<String>());
    called
}

/// For the volunteer who has just started it.
fn how_to_trust(authority: &Path, der: &[u8], names: &[String]) -> String {
    let fingerprint: Vec<String> =
        Sha256::digest(der).iter().map(|byte| format!("{byte:02X}")).collect();
    format!(
        "\
A certificate for {names} was made, and an authority of your own that vouches for it.
Devices trust it once they have been told to. Copy this one file to each of them:

  {file}

Then, on that device:
  iPhone, iPad  Open the file; Settings, General, VPN & Device Management, install; then Settings, General,
                About, Certificate Trust Settings, switch it on.
  Android       Settings, look for \"CA certificate\", install the file; Android warns, that is as it should be.
  Mac           Open the file: it comes into Keychain Access; open it there, Trust, Always Trust.
  Windows       As administrator: certutil -addstore Root authority.crt
  Linux         In the browser's settings, Certificates, Authorities, import.
  thole         thole row --ca {file}

It can vouch for {names} and for nothing else. Its SHA-256 fingerprint, to compare:
  {fingerprint}
Its own key was thrown away, so that cannot change. Keep {key} to yourself.
",
        names = names.join(", "),
        file = authority.display(),
        fingerprint = fingerprint.join(":"),
        key = authority.with_file_name(SERVER_KEY).display(),
    )
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    fn names(of: &[&str]) -> Vec<String> {
        of.iter().map(|text| name(text).unwrap()).collect()
    }

    #[test]
    fn a_name_is_what_a_client_would_look_for() {
        assert_eq!(name("Gym.Local"), Ok("gym.local".into()));
        assert_eq!(name("192.168.7.20"), Ok("192.168.7.20".into()));
        assert_eq!(name("fe80::12"), Ok("fe80::12".into()));
        for wrong in ["", "gym local", "*.gym.local", "https://gym.local", "gym.local:8737", "-"] {
            let says = name(wrong).unwrap_err();
            assert!(says.contains("is not a name or an address"), "{wrong}: {says}");
        }
    }

    #[test]
    fn made_once_used_again_and_never_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let both = names(&["gym.local", "192.168.7.20"]);
        let clock = Clock::new(1);
        let Certificate::Made(says) = prepare(folder.path(), &both, clock).unwrap() else {
            panic!("nothing was there")
        };
        assert!(
            says.contains("gym.local, 192.168.7.20") && says.contains("authority.crt"),
            "{says}"
        );
        let all = |folder: &Path| {
            let files = fs::read_dir(folder.join(FOLDER)).unwrap().map(|file| file.unwrap().path());
            let mut files: Vec<_> = files.map(|f| (f.clone(), fs::read(f).unwrap())).collect();
            files.sort();
            files
        };
        let before = all(folder.path());
        assert_eq!(before.len(), 3);
        for (file, _) in &before {
            let mode = fs::metadata(file).unwrap().permissions().mode() & 0o777;
            let key = file.to_str().unwrap().ends_with("-key.pem");
            assert_eq!(mode, if key { 0o600 } else { 0o644 }, "{}", file.display());
        }
        let authority = folder.path().join(FOLDER).join(AUTHORITY);
        let known = Certificate::Known { authority, ends_soon: None };
        assert_eq!(prepare(folder.path(), &both, clock), Ok(known.clone()));
        // It is enough to ask for one of the names; any other is refused, and nothing has changed.
        assert_eq!(prepare(folder.path(), &names(&["192.168.7.20"]), clock), Ok(known));
        for other in [&["hall.local"][..], &["gym.local", "192.168.7.21"]] {
            let says = prepare(folder.path(), &names(other), clock).unwrap_err();
            let begins = format!(
                "tls-self-made: the certificate that is there is not for {}",
                other.last().unwrap()
            );
            assert!(says.starts_with(&begins) && says.contains("Move the folder"), "{says}");
        }
        assert_eq!(all(folder.path()), before);
    }

    #[test]
    fn what_is_there_in_part_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let gym = names(&["gym.local"]);
        prepare(folder.path(), &gym, Clock::new(1)).unwrap();
        fs::remove_file(folder.path().join(FOLDER).join(AUTHORITY)).unwrap();
        let says = prepare(folder.path(), &gym, Clock::new(1)).unwrap_err();
        assert!(
            says.contains("without authority.crt") && says.contains("Move the folder"),
            "{says}"
        );
    }

    #[test]
    fn it_ends_after_820_days_and_says_so_before() {
        let folder = tempfile::tempdir().unwrap();
        let gym = names(&["gym.local"]);
        let clock = Clock::new(1);
        prepare(folder.path(), &gym, clock).unwrap();
        let tls = folder.path().join(FOLDER);
        let now = since_1970(clock);
        assert_eq!(check(&tls, &gym, now + 819 * DAY), Ok(()));
        assert_eq!(
            check(&tls, &gym, now + 821 * DAY),
            Err("the certificate that is there has ended".into())
        );
    }

    #[test]
    fn the_authority_vouches_for_nobody_else() {
        let gym = names(&["gym.local"]);
        let now = since_1970(Clock::new(1));
        let key = KeyPair::generate().unwrap();
        let params = authority_for(&gym, now).unwrap();
        let issuer = Issuer::from_params(&params, &key);
        let mut roots = RootCertStore::empty();
        roots.add(params.self_signed(&key).unwrap().der().clone()).unwrap();
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let verifier =
            WebPkiServerVerifier::builder_with_provider(Arc::new(roots), provider).build().unwrap();
        for (other, taken) in [("gym.local", true), ("bank.example", false), ("10.1.2.3", false)] {
            let of = names(&[other]);
            let own = KeyPair::generate().unwrap();
            let forged = server_for(&of, now).unwrap().signed_by(&own, &issuer).unwrap();
            let asked = ServerName::try_from(other).unwrap();
            let time = UnixTime::since_unix_epoch(now);
            let said = verifier.verify_server_cert(forged.der(), &[], &asked, &[], time);
            assert_eq!(said.is_ok(), taken, "{other}: {said:?}");
        }
    }
}
