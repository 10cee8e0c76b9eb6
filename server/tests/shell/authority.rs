//! `serve --tls-self-made`: made once, trusted by whoever trusts the authority, never overwritten.

use std::{
    fs,
    io::{BufRead, BufReader, Read},
    net::SocketAddr,
    os::unix::fs::PermissionsExt,
    path::Path,
    process::{Child, Command, Stdio},
    sync::Arc,
    time::Duration,
};

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    time::timeout,
};
use tokio_rustls::{
    TlsConnector,
    rustls::{
        ClientConfig, RootCertStore,
        pki_types::{CertificateDer, ServerName, pem::PemObject},
    },
};

const PATIENCE: Duration = Duration::from_secs(30);
const GYM: &str = "gym.local,192.168.7.20";

/// A server that is killed when a test is done with it.
struct Started {
    child: Child,
    address: SocketAddr,
}

impl Started {
    fn new(data: &Path) -> Started {
        let mut child = serve(data, GYM).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let address = line.trim_end().strip_prefix("listening on https://").map(str::parse);
        Started { child, address: address.expect(&line).unwrap() }
    }

    /// Ends it; returns what it has said on standard error.
    fn says(mut self) -> String {
        self.child.kill().unwrap();
        let mut says = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut says).unwrap();
        says
    }

    /// The first line that comes back for a page, asked for by somebody who trusts only this authority.
    async fn page(&self, authority: &Path, name: &'static str) -> Result<String, String> {
        let mut roots = RootCertStore::empty();
        roots.add(CertificateDer::from_pem_file(authority).unwrap()).unwrap();
        let config = ClientConfig::builder().with_root_certificates(roots).with_no_client_auth();
        let io = TcpStream::connect(self.address).await.unwrap();
        let asked = ServerName::try_from(name).unwrap();
        let mut io = TlsConnector::from(Arc::new(config))
            .connect(asked, io)
            .await
            .map_err(|error| error.to_string())?;
        let request = format!("GET /healthz HTTP/1.1\r\nHost: {name}\r\nConnection: close\r\n\r\n");
        io.write_all(request.as_bytes()).await.unwrap();
        let mut begins = [0; 12];
        timeout(PATIENCE, io.read_exact(&mut begins)).await.expect("no answer").unwrap();
        Ok(String::from_utf8(begins.to_vec()).unwrap())
    }
}

impl Drop for Started {
    fn drop(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

fn serve(data: &Path, names: &str) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    command.env_clear().arg("serve").arg("--data").arg(data);
    command.args(["--listen", "127.0.0.1:0", "--tls-self-made", names]);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

#[tokio::test]
async fn who_trusts_the_authority_reaches_the_server_by_each_of_its_names_and_by_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let server = Started::new(folder.path());
    let authority = folder.path().join("tls/authority.crt");
    assert_eq!(server.page(&authority, "gym.local").await.as_deref(), Ok("HTTP/1.1 200"));
    assert_eq!(server.page(&authority, "192.168.7.20").await.as_deref(), Ok("HTTP/1.1 200"));
    let other = server.page(&authority, "hall.local").await.unwrap_err();
    assert!(other.contains("not valid for name"), "{other}");
    // Somebody who trusts another authority does not reach it: here that of another hall with the same name.
    let elsewhere = tempfile::tempdir().unwrap();
    drop(Started::new(elsewhere.path()));
    let stranger = elsewhere.path().join("tls/authority.crt");
    server.page(&stranger, "gym.local").await.unwrap_err();
    let key = fs::metadata(folder.path().join("tls/server-key.pem")).unwrap();
    assert_eq!(key.permissions().mode() & 0o777, 0o600);
}

#[tokio::test]
async fn it_says_once_how_to_trust_it_and_goes_on_with_what_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let says = Started::new(folder.path()).says();
    for part in ["iPhone", "Android", "Windows", "Mac", "Linux", "authority.crt", "SHA-256"] {
        assert!(says.contains(part), "{part}: {says}");
    }
    assert!(says.contains("for devices: https://gym.local:"), "{says}");
    let authority = folder.path().join("tls/authority.crt");
    let first = fs::read(&authority).unwrap();
    let again = Started::new(folder.path());
    // A device that was told to trust it once need not be told again.
    assert_eq!(again.page(&authority, "gym.local").await.as_deref(), Ok("HTTP/1.1 200"));
    let says = again.says();
    assert!(says.contains("devices have to trust") && !says.contains("iPhone"), "{says}");
    assert_eq!(fs::read(&authority).unwrap(), first);
}

#[test]
fn other_names_are_refused_and_nothing_is_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    drop(Started::new(folder.path()));
    let files = ["tls/authority.crt", "tls/server.crt", "tls/server-key.pem"];
    let read = || files.map(|file| fs::read(folder.path().join(file)).unwrap());
    let before = read();
    let output = serve(folder.path(), "gym.local,hall.local").output().unwrap();
    let says = String::from_utf8(output.stderr).unwrap();
    assert!(!output.status.success() && output.stdout.is_empty(), "{says}");
    assert!(says.contains("the certificate that is there is not for hall.local"), "{says}");
    assert!(says.contains("Move the folder") && says.contains("tls away"), "{says}");
    assert_eq!(read(), before);
}
