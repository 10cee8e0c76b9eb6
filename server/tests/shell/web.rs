//! The web side on the loopback: pages, who may open a WebSocket, limits, TLS.

mod door;

use std::{io::Read, path::PathBuf, sync::Arc, time::Duration};

use flate2::read::GzDecoder;
use thole_server::{
    Running,
    config::{ServeArgs, Settings},
    journal::memory::MemoryJournal,
    start,
};
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt},
    net::TcpStream,
    time::{Instant, timeout},
};
use tokio_rustls::{
    TlsConnector,
    rustls::{
        ClientConfig, RootCertStore,
        pki_types::{CertificateDer, ServerName, pem::PemObject},
    },
};

/// The example of RFC 6455 section 1.3.
const KEY: &str = "dGhlIHNhbXBsZSBub25jZQ==";
const ACCEPT: &str = "s3pPLMBiTxaQ9kYGzzhZRbK+xOo=";

/// Long enough for any machine; nothing here takes it.
const PATIENCE: Duration = Duration::from_secs(20);

fn settings(set: impl FnOnce(ServeArgs) -> ServeArgs) -> Settings {
    set(ServeArgs::default().with("listen", "127.0.0.1:0")).settings().unwrap()
}

async fn served(set: impl FnOnce(ServeArgs) -> ServeArgs) -> Running {
    start(settings(set), Arc::new(MemoryJournal::default())).await.unwrap()
}

async fn connected(server: &Running) -> TcpStream {
    TcpStream::connect(server.address).await.unwrap()
}

/// Everything that comes until the other side ends.
async fn rest(io: &mut (impl AsyncRead + Unpin)) -> String {
    let mut all = Vec::new();
    timeout(PATIENCE, io.read_to_end(&mut all)).await.expect("the server never ends").unwrap();
    String::from_utf8_lossy(&all).into_owned()
}

async fn asked(io: &mut (impl AsyncRead + AsyncWrite + Unpin), line: &str) -> String {
    let request = format!("{line} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n");
    io.write_all(request.as_bytes()).await.unwrap();
    rest(io).await
}

async fn page(server: &Running, line: &str) -> String {
    asked(&mut connected(server).await, line).await
}

/// Asks for a WebSocket; the head of the answer, and the connection.
async fn upgraded(server: &Running, headers: &str) -> (String, TcpStream) {
    let mut io = connected(server).await;
    let request = format!(
        "GET /ws HTTP/1.1\r\nHost: {}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\
         Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {KEY}\r\n{headers}\r\n",
        server.address
    );
    io.write_all(request.as_bytes()).await.unwrap();
    let mut head = Vec::new();
    while !head.ends_with(b"\r\n\r\n") {
        head.push(timeout(PATIENCE, io.read_u8()).await.expect("no answer").unwrap());
    }
    (String::from_utf8(head).unwrap(), io)
}

fn status(answer: &str) -> &str {
    answer.get(9..12).unwrap()
}

#[tokio::test]
async fn every_address_has_a_plain_page_and_none_can_be_framed_or_mistaken() {
    let server = served(|args| args).await;
    for (path, code, says) in [
        ("/", "200", "target of their own"),
        ("/coach/KAMURETA", "200", "thole coach --link"),
        ("/row/KAMURETA", "200", "thole row --link"),
        ("/board/KAMURETA", "200", "thole board --link"),
        ("/board", "404", "Which board?"),
        ("/rowing", "404", "Ask your coach"),
        ("/../etc", "404", "Ask your coach"),
    ] {
        let answer = page(&server, &format!("GET {path}")).await;
        assert_eq!(status(&answer), code, "{path}: {answer}");
        assert!(answer.contains(says), "{path}: {answer}");
        for header in [
            "x-content-type-options: nosniff",
            "referrer-policy: no-referrer",
            "content-security-policy: default-src 'none'",
            "frame-ancestors 'none'",
        ] {
            assert!(answer.contains(header), "{path} lacks {header}: {answer}");
        }
    }
    let version = env!("CARGO_PKG_VERSION");
    assert!(page(&server, "GET /").await.contains(version));
    let refused = page(&server, "POST /").await;
    assert_eq!(status(&refused), "405");
    assert!(refused.contains("allow: GET, HEAD"), "{refused}");
    let head = page(&server, "HEAD /").await;
    assert!(status(&head) == "200" && head.ends_with("\r\n\r\n"), "a head has no body: {head}");
}

/// What a browser may keep: RFC 8246 (immutable), RFC 9111 section 5.2.2.4 (no-cache).
#[tokio::test]
async fn pages_are_asked_for_anew_and_what_has_a_hash_in_its_name_is_kept() {
    let server = served(|args| args).await;
    for address in ["/board/KAMURETA", "/row/", "/coach/"] {
        let answer = page(&server, &format!("GET {address}")).await;
        assert_eq!(status(&answer), "200", "{address}: {answer}");
        assert!(answer.contains("cache-control: no-cache"), "{address}: {answer}");
        assert!(answer.contains("content-type: text/html; charset=utf-8"), "{address}: {answer}");
        for asset in answer.split('"').filter(|part| part.starts_with("/assets/")) {
            let answer = page(&server, &format!("GET {asset}")).await;
            assert_eq!(status(&answer), "200", "{asset}: {answer}");
            assert!(answer.contains("immutable"), "{asset}: {answer}");
            assert!(!answer.contains("content-type: text/html"), "{asset}: {answer}");
        }
        let built = answer.contains("/assets/");
        assert!(built || answer.contains("Pages not built"), "{address}: {answer}");
        // Inline code would be refused by the browser, so there must be none.
        assert!(answer.contains("script-src 'self'"), "{address}: {answer}");
        assert!(
            !answer.contains("<script>") && !answer.contains("style=\""),
            "{address}: {answer}"
        );
        assert!(!built || answer.contains(thole_server::pages::BUILD), "{address}: {answer}");
    }
    for nothing in ["/board.html", "/board/KAMURETA/more", "/assets/", "/pages.rs", "/board"] {
        assert_eq!(status(&page(&server, &format!("GET {nothing}")).await), "404", "{nothing}");
    }
}

/// The head of an answer in lower case, and the bytes of its body.
async fn bytes(server: &Running, path: &str, headers: &str) -> (String, Vec<u8>) {
    let mut io = connected(server).await;
    let request =
        format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{headers}\r\n");
    io.write_all(request.as_bytes()).await.unwrap();
    let mut all = Vec::new();
    timeout(PATIENCE, io.read_to_end(&mut all)).await.expect("the server never ends").unwrap();
    let at = all.windows(4).position(|four| four == b"\r\n\r\n").unwrap();
    let body = all.split_off(at + 4);
    (String::from_utf8(all).unwrap().to_lowercase(), body)
}

/// Weights and `*` as in RFC 9110 section 12.5.3; without the header uncompressed, which may always be sent.
#[tokio::test]
async fn who_takes_gzip_gets_it_and_everybody_else_the_plain_bytes() {
    let server = served(|args| args).await;
    let (head, plain) = bytes(&server, "/row/", "").await;
    assert!(!head.contains("content-encoding"), "{head}");
    assert!(head.contains("vary: accept-encoding"), "{head}");
    for (headers, packed) in [
        ("Accept-Encoding: gzip\r\n", true),
        ("Accept-Encoding: gzip, deflate, br, zstd\r\n", true),
        ("Accept-Encoding: br\r\nAccept-Encoding: GZIP;q=0.5\r\n", true),
        ("Accept-Encoding: *\r\n", true),
        ("Accept-Encoding: identity;q=0, gzip;q=0.001\r\n", true),
        ("Accept-Encoding: gzip;q=0\r\n", false),
        ("Accept-Encoding: gzip; q=0.0, *;q=1\r\n", false),
        ("Accept-Encoding: *;q=0\r\n", false),
        ("Accept-Encoding: gzip;q=much\r\n", false),
        ("Accept-Encoding: identity;q=1, gzip;q=0.2\r\n", false),
        ("Accept-Encoding: deflate, br\r\n", false),
        ("Accept-Encoding: \r\n", false),
    ] {
        let (head, body) = bytes(&server, "/row/", headers).await;
        assert!(head.contains("vary: accept-encoding"), "{headers}: {head}");
        assert!(head.contains(&format!("content-length: {}\r\n", body.len())), "{headers}: {head}");
        assert_eq!(head.contains("content-encoding: gzip"), packed, "{headers}: {head}");
        // The policy and the media type are the page's own, however it is sent.
        assert!(
            head.contains("script-src 'self'") && head.contains("text/html"),
            "{headers}: {head}"
        );
        let read = if packed { unpacked(&body) } else { body };
        assert!(read == plain, "{headers}: {}", String::from_utf8_lossy(&read));
    }
    // Everything that a page is made of, if it is built: the same bytes either way.
    let text = String::from_utf8(plain).unwrap();
    for asset in text.split('"').filter(|part| part.starts_with("/assets/")) {
        let (head, plain) = bytes(&server, asset, "").await;
        let (small, body) = bytes(&server, asset, "Accept-Encoding: gzip\r\n").await;
        assert!(!head.contains("content-encoding"), "{asset}: {head}");
        // What would not become smaller, a few lines of a script, is sent as it is.
        let packed = small.contains("content-encoding: gzip");
        assert!(packed || plain.len() < 300, "{asset}: {small}");
        let read = if packed { unpacked(&body) } else { body.clone() };
        assert!(read == plain && (!packed || body.len() < plain.len()), "{asset}");
    }
    let (head, body) = bytes(&server, "/healthz", "Accept-Encoding: gzip\r\n").await;
    assert!(!head.contains("content-encoding") && body.starts_with(b"{"), "{head}");
}

fn unpacked(body: &[u8]) -> Vec<u8> {
    let mut plain = Vec::new();
    GzDecoder::new(body).read_to_end(&mut plain).unwrap();
    plain
}

#[tokio::test(start_paused = true)]
async fn a_server_that_stops_does_not_wait_for_browsers_that_keep_a_connection() {
    let server = served(|args| args).await;
    let mut io = connected(&server).await;
    io.write_all(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
    let mut begins = [0; 12];
    io.read_exact(&mut begins).await.unwrap();
    assert_eq!(&begins, b"HTTP/1.1 200");
    let began = Instant::now();
    server.stop().await;
    assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
}

#[tokio::test]
async fn health_tells_strangers_that_it_is_well_and_nothing_else() {
    let server = served(|args| args).await;
    assert_eq!(server.server.connected(), 0, "who only waits for somebody is nobody");
    let (_, _kept) = upgraded(&server, "").await;
    let answer = page(&server, "GET /healthz").await;
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    assert!(head.contains("content-type: application/json"), "{head}");
    assert_eq!(body, r#"{"ok":true}"#);
    assert_eq!(server.server.connected(), 1, "the one that is kept");
    for inner in ["/metrics", "/readyz"] {
        assert_eq!(status(&page(&server, &format!("GET {inner}")).await), "404", "{inner}");
    }
}

#[tokio::test]
async fn a_web_socket_is_opened_as_the_standard_says() {
    let server = served(|args| args).await;
    let (answer, _io) = upgraded(&server, "").await;
    assert_eq!(status(&answer), "101");
    let accept = format!("sec-websocket-accept: {ACCEPT}");
    assert!(answer.to_lowercase().contains(&accept.to_lowercase()), "{answer}");
    assert!(answer.contains(ACCEPT), "letter by letter: {answer}");
    let plain = page(&server, "GET /ws").await;
    assert_eq!(status(&plain), "400", "{plain}");
}

/// The rule: RFC 6454 section 4 (an origin is scheme, host and port), RFC 6455 section 10.2.
#[tokio::test]
async fn a_page_of_another_address_may_not_connect_unless_it_was_allowed() {
    let server = served(|args| args.with("origins", "https://club.example")).await;
    let own = format!("http://{}", server.address);
    let other_scheme = format!("https://{}", server.address);
    let longer = format!("{own}.example");
    for (origin, code) in [
        (own.as_str(), "101"),
        ("https://club.example", "101"),
        ("http://club.example", "403"),
        ("https://club.example.elsewhere.example", "403"),
        ("http://127.0.0.1", "403"),
        (&other_scheme, "403"),
        (&longer, "403"),
        ("null", "403"),
        ("", "403"),
    ] {
        let (answer, _io) = upgraded(&server, &format!("Origin: {origin}\r\n")).await;
        assert_eq!(status(&answer), code, "{origin}: {answer}");
    }
    assert_eq!(status(&upgraded(&server, "").await.0), "101", "a program names no page");
}

#[tokio::test]
async fn above_the_limit_of_connections_the_next_waits_until_one_has_left() {
    let server = served(|args| args.with("connections-max", "1")).await;
    let (_, first) = upgraded(&server, "").await;
    let mut second = connected(&server).await;
    let mut waiting = std::pin::pin!(asked(&mut second, "GET /healthz"));
    tokio::select! {
        biased;
        answer = &mut waiting => panic!("answered above the limit: {answer}"),
        () = twenty_turns() => {}
    }
    assert_eq!(server.server.connected(), 1);
    drop(first);
    assert_eq!(status(&waiting.await), "200");
}

/// Lets everything else that is ready go first.
async fn twenty_turns() {
    for _ in 0..20 {
        tokio::task::yield_now().await;
    }
}

/// On a clock that advances by itself: how long until the server ends a connection on which `said` was said.
async fn ended_after(server: &Running, said: &[u8]) -> (Duration, String) {
    let mut io = connected(server).await;
    io.write_all(said).await.unwrap();
    let began = Instant::now();
    let mut all = Vec::new();
    io.read_to_end(&mut all).await.unwrap();
    (began.elapsed(), String::from_utf8_lossy(&all).into_owned())
}

#[tokio::test(start_paused = true)]
async fn whoever_never_says_what_they_want_is_sent_away_in_time() {
    let limits = 7.0..9.0;
    let plain = served(|args| args.with("handshake-s", "7")).await;
    for said in ["", "GET / HTTP/1.1\r\nHost: loc"] {
        let (after, _) = ended_after(&plain, said.as_bytes()).await;
        assert!(limits.contains(&after.as_secs_f64()), "{said:?}: {after:?}");
    }
    let tls = served(|args| certified(args.with("handshake-s", 7))).await;
    let (after, _) = ended_after(&tls, b"").await;
    assert!(limits.contains(&after.as_secs_f64()), "TLS: {after:?}");
}

#[tokio::test(start_paused = true)]
async fn whoever_opens_a_socket_and_never_says_hello_is_told_and_sent_away() {
    let server = served(|args| args.with("handshake-s", "7")).await;
    let (_, mut io) = upgraded(&server, "").await;
    let began = Instant::now();
    // A close frame (RFC 6455 section 5.5.1): 0x88, its length, then the code 4000.
    let mut frame = [0; 4];
    io.read_exact(&mut frame).await.unwrap();
    assert!((7.0..9.0).contains(&began.elapsed().as_secs_f64()), "{:?}", began.elapsed());
    assert_eq!((frame[0], u16::from_be_bytes([frame[2], frame[3]])), (0x88, 4_000));
}

fn pem(name: &str) -> String {
    let folder = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/shell/tls"));
    folder.join(name).to_str().unwrap().to_owned()
}

fn certified(args: ServeArgs) -> ServeArgs {
    args.with("tls-cert", pem("weir-cert.pem")).with("tls-key", pem("weir-key.pem"))
}

#[tokio::test]
async fn with_a_certificate_the_server_speaks_tls_and_nothing_else() {
    let server = served(certified).await;
    let mut roots = RootCertStore::empty();
    roots.add(CertificateDer::from_pem_file(pem("weir-cert.pem")).unwrap()).unwrap();
    let config = ClientConfig::builder().with_root_certificates(roots).with_no_client_auth();
    let name = ServerName::try_from("localhost").unwrap();
    let connector = TlsConnector::from(Arc::new(config));
    let mut io = connector.connect(name, connected(&server).await).await.unwrap();
    let origin = "GET /ws HTTP/1.1\r\nHost: localhost\r\nOrigin: https://localhost\r\n\
                  Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n\
                  Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n";
    io.write_all(origin.as_bytes()).await.unwrap();
    let mut begins = [0; 12];
    timeout(PATIENCE, io.read_exact(&mut begins)).await.expect("no answer").unwrap();
    assert_eq!(&begins, b"HTTP/1.1 101");
    let plain = page(&server, "GET /healthz").await;
    assert!(!plain.contains("HTTP/1.1 200"), "{plain}");
}

#[tokio::test]
async fn a_certificate_that_cannot_be_used_is_refused_at_the_start_by_its_file() {
    let folder = tempfile::tempdir().unwrap();
    let empty = folder.path().join("empty.pem");
    std::fs::write(&empty, "nothing of the kind").unwrap();
    let empty = empty.to_str().unwrap().to_owned();
    let (cert, key) = (pem("weir-cert.pem"), pem("weir-key.pem"));
    for (what, cert, key, names, file) in [
        ("no certificate there", "not-there.pem", key.as_str(), "tls-cert: ", "not-there.pem"),
        ("no key there", cert.as_str(), "not-there.pem", "tls-key: ", "not-there.pem"),
        ("a file without a certificate", &empty, &key, "tls-cert: ", "empty.pem"),
        ("a file without a key", &cert, &empty, "tls-key: ", "empty.pem"),
        ("another's key", &cert, &pem("other-key.pem"), "tls-cert, tls-key: ", "other-key.pem"),
    ] {
        let settings = settings(|args| args.with("tls-cert", cert).with("tls-key", key));
        let says = start(settings, Arc::new(MemoryJournal::default())).await.err().expect(what);
        assert!(says.starts_with(names) && says.contains(file), "{what}: {says}");
    }
}

#[tokio::test]
async fn an_address_that_is_in_use_is_refused_by_its_name() {
    let first = served(|args| args).await;
    let settings = settings(|args| args.with("listen", first.address));
    let says = start(settings, Arc::new(MemoryJournal::default())).await.err().unwrap();
    assert!(says.starts_with("listen: ") && says.contains(&first.address.to_string()), "{says}");
}
