//! One connection to a server: messages in, messages out, and why it ended.

use std::{fmt, path::Path, sync::Arc, time::Duration};

use futures_util::{SinkExt, StreamExt};
use thole_protocol::{
    ClientMsg, ServerMsg,
    close::{OnClose, advice},
};
use tokio::{
    io::{AsyncRead, AsyncWrite, DuplexStream},
    net::TcpStream,
    sync::mpsc,
    time::timeout,
};
use tokio_rustls::{
    TlsConnector,
    rustls::{
        ClientConfig, RootCertStore,
        crypto::ring,
        pki_types::{CertificateDer, ServerName, pem::PemObject},
    },
};
use tokio_tungstenite::{
    WebSocketStream, client_async_with_config,
    tungstenite::{self, Message, protocol::WebSocketConfig},
};

use crate::address::Address;

/// Longest wait for the network, for TLS and for the WebSocket together.
const CONNECT_LIMIT: Duration = Duration::from_secs(8);
/// Longest wait for one message to leave; a back-fill that is held up for longer starts again.
const SEND_LIMIT: Duration = Duration::from_secs(10);
/// Largest message from a server that is read: a welcome with a roster of ten thousand.
const MESSAGE_MAX: usize = 16 * 1024 * 1024;
/// Read and write buffers: small, since a load test holds thousands of connections.
const BUFFER: usize = 8 * 1024;

/// Anything that carries bytes both ways.
trait Bytes: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Bytes for T {}

/// Whom an encrypted connection trusts.
#[derive(Clone)]
pub struct Trust(Arc<ClientConfig>);

impl Trust {
    /// The certificate authorities that this system trusts.
    #[must_use]
    pub fn system() -> Trust {
        let mut roots = RootCertStore::empty();
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        Trust::of(roots)
    }

    /// The authorities of one PEM file and no others: for a server with a certificate of its own.
    ///
    /// # Errors
    /// A sentence, when the file cannot be read or holds no certificate.
    pub fn file(path: &Path) -> Result<Trust, String> {
        let unread = |why: &dyn fmt::Display| {
            format!("The certificate file {} cannot be used: {why}.", path.display())
        };
        let mut roots = RootCertStore::empty();
        let found = CertificateDer::pem_file_iter(path).map_err(|e| unread(&e))?;
        for certificate in found {
            let certificate = certificate.map_err(|e| unread(&e))?;
            roots.add(certificate).map_err(|e| unread(&e))?;
        }
        if roots.is_empty() {
            return Err(unread(&"there is no certificate in it"));
        }
        Ok(Trust::of(roots))
    }

    fn of(roots: RootCertStore) -> Trust {
        let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .expect("the ring provider has cipher suites for TLS 1.2 and 1.3")
            .with_root_certificates(roots)
            .with_no_client_auth();
        Trust(Arc::new(config))
    }
}

impl fmt::Debug for Trust {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Trust")
    }
}

/// How a server is reached.
#[derive(Clone, Debug)]
pub enum Dial {
    /// Over the network.
    Network {
        /// Where.
        address: Address,
        /// Whom an encrypted connection trusts; only needed for `wss`.
        trust: Option<Trust>,
    },
    /// Inside this process: the other end of each connection goes to whoever holds the receiver.
    Inside(mpsc::Sender<DuplexStream>),
}

impl Dial {
    /// Over the network, trusting what this system trusts.
    #[must_use]
    pub fn network(address: Address) -> Dial {
        let trust = address.tls.then(Trust::system);
        Dial::Network { address, trust }
    }
}

/// Why there is no connection any more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ended {
    /// The close code, when the server sent one.
    pub code: Option<u16>,
    /// One sentence for the person.
    pub says: String,
}

impl Ended {
    /// What to do about it.
    #[must_use]
    pub fn advice(&self) -> OnClose {
        advice(self.code)
    }

    pub(crate) fn without_code(says: impl Into<String>) -> Ended {
        Ended { code: None, says: says.into() }
    }
}

/// One open connection.
pub struct Socket {
    stream: WebSocketStream<Box<dyn Bytes>>,
}

impl fmt::Debug for Socket {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Socket")
    }
}

impl Socket {
    /// Connects.
    ///
    /// # Errors
    /// When nobody answers there, or something that is not a server of this kind does.
    pub async fn connect(dial: &Dial) -> Result<Socket, Ended> {
        timeout(CONNECT_LIMIT, Socket::connected(dial)).await.unwrap_or_else(|_| {
            Err(Ended::without_code("The server did not answer in time; is the address right?"))
        })
    }

    async fn connected(dial: &Dial) -> Result<Socket, Ended> {
        let (bytes, url) = match dial {
            Dial::Network { address, trust } => (network(address, trust).await?, address.socket()),
            Dial::Inside(server) => {
                let (here, there) = tokio::io::duplex(64 * 1024);
                let gone = |_| Ended::without_code("The server is not running.");
                server.send(there).await.map_err(gone)?;
                (Box::new(here) as Box<dyn Bytes>, "ws://inside/ws".into())
            }
        };
        let config = WebSocketConfig::default()
            .read_buffer_size(BUFFER)
            .write_buffer_size(0)
            .max_write_buffer_size(4 * MESSAGE_MAX)
            .max_message_size(Some(MESSAGE_MAX))
            .max_frame_size(Some(MESSAGE_MAX));
        let (stream, _) =
            client_async_with_config(url, bytes, Some(config)).await.map_err(|e| ended(&e))?;
        Ok(Socket { stream })
    }

    /// Sends one message.
    ///
    /// # Errors
    /// When the connection has ended or accepts nothing more.
    pub async fn send(&mut self, msg: &ClientMsg) -> Result<(), Ended> {
        let text = serde_json::to_string(msg)
            .map_err(|e| Ended::without_code(format!("A message could not be written: {e}.")))?;
        match timeout(SEND_LIMIT, self.stream.send(Message::text(text))).await {
            Ok(sent) => sent.map_err(|e| ended(&e)),
            Err(_) => Err(Ended::without_code("The connection accepts nothing more.")),
        }
    }

    /// Waits for the next message; nothing is lost when the wait is given up.
    ///
    /// # Errors
    /// When the connection has ended.
    pub async fn next(&mut self) -> Result<Heard, Ended> {
        let Some(message) = self.stream.next().await else {
            return Err(Ended::without_code("The connection was lost."));
        };
        match message.map_err(|e| ended(&e))? {
            Message::Text(text) => match serde_json::from_str(&text) {
                Ok(msg) => Ok(Heard::Said(msg)),
                Err(error) => Ok(Heard::Unread(error.to_string())),
            },
            Message::Close(Some(frame)) => {
                let code = Some(u16::from(frame.code));
                let says = match frame.reason.as_str() {
                    "" => "The server closed the connection.".to_owned(),
                    reason => reason.to_owned(),
                };
                Err(Ended { code, says })
            }
            Message::Close(None) => Err(Ended::without_code("The server closed the connection.")),
            Message::Ping(_) | Message::Pong(_) => Ok(Heard::Sign),
            Message::Binary(_) | Message::Frame(_) => Ok(Heard::Unread("not text".into())),
        }
    }

    /// Says good-bye; whether the other side hears it no longer matters.
    pub async fn close(mut self) {
        // The connection is abandoned either way, so a failure here changes nothing.
        drop(timeout(Duration::from_secs(1), self.stream.close(None)).await);
    }
}

/// What came over a connection.
#[derive(Clone, Debug)]
pub enum Heard {
    /// A message.
    Said(ServerMsg),
    /// A sign of life without words.
    Sign,
    /// Something that this client cannot read; says why.
    Unread(String),
}

async fn network(address: &Address, trust: &Option<Trust>) -> Result<Box<dyn Bytes>, Ended> {
    let unreachable = |error: std::io::Error| {
        Ended::without_code(format!(
            "Nobody answers at {address} ({error}); is the server running there?"
        ))
    };
    let tcp =
        TcpStream::connect((address.host.as_str(), address.port)).await.map_err(unreachable)?;
    // A stroke is small and must not wait for a second one.
    tcp.set_nodelay(true).map_err(unreachable)?;
    if !address.tls {
        return Ok(Box::new(tcp));
    }
    let untrusted = |why: &dyn fmt::Display| {
        // After a brace come details that only the authors of the library can read.
        let why = why.to_string();
        let why = why.split('{').next().unwrap_or_default().trim_end();
        Ended::without_code(format!(
            "The server at {address} cannot be trusted ({why}); if it has a certificate of its \
             own, name its file with --ca."
        ))
    };
    let trust = trust.as_ref().ok_or_else(|| untrusted(&"no authority is known"))?;
    let name = ServerName::try_from(address.host.clone()).map_err(|e| untrusted(&e))?;
    let tls = TlsConnector::from(trust.0.clone()).connect(name, tcp).await;
    Ok(Box::new(tls.map_err(|e| untrusted(&e))?))
}

fn ended(error: &tungstenite::Error) -> Ended {
    if let tungstenite::Error::Http(response) = error {
        let status = response.status();
        let says = if status.as_u16() == 503 {
            "The server is full for the moment.".to_owned()
        } else {
            format!("There is no Thole server at this address (it answered {status}).")
        };
        return Ended::without_code(says);
    }
    Ended::without_code(format!("The connection was lost ({error})."))
}
