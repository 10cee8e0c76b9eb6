//! Accepts connections within limits, and hands out pages and WebSockets.

use std::{
    convert::Infallible,
    future::Future,
    net::IpAddr,
    path::PathBuf,
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use http_body_util::Full;
use hyper::{
    Method, Request, Response, StatusCode,
    body::{Bytes, Incoming},
    header::{self, HeaderValue},
    server::conn::http1,
    service::service_fn,
    upgrade::Parts,
};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::{TcpListener, TcpStream},
    sync::{Notify, OwnedSemaphorePermit},
    time::timeout,
};
use tokio_rustls::{
    TlsAcceptor,
    rustls::{
        ServerConfig,
        pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject},
    },
};
use tokio_tungstenite::{
    WebSocketStream,
    tungstenite::{handshake::server::create_response, protocol::Role},
};

use crate::{
    Server, club,
    config::Settings,
    connection,
    hosts::Unasked,
    limits::{ACCEPT_AGAIN_AFTER, READING_TURN, STRANGER_WAIT},
    line::{Line, Plain},
    pages,
    shares::{Awaited, Guest, client_behind},
};

/// The acceptor for a certificate and its key, and the certificate.
///
/// # Errors
/// A file cannot be read, or the two do not belong together; says which.
pub fn tls(
    (cert, key): &(PathBuf, PathBuf),
) -> Result<(TlsAcceptor, CertificateDer<'static>), String> {
    let unread = |name: &str, file: &PathBuf, error: &dyn std::fmt::Display| {
        format!("{name}: {} cannot be used ({error}).", file.display())
    };
    let chain: Result<Vec<CertificateDer<'static>>, _> = CertificateDer::pem_file_iter(cert)
        .map_err(|error| unread("tls-cert", cert, &error))?
        .collect();
    let chain = chain.map_err(|error| unread("tls-cert", cert, &error))?;
    let Some(own) = chain.first().cloned() else {
        return Err(unread("tls-cert", cert, &"there is no certificate in it"));
    };
    let secret =
        PrivateKeyDer::from_pem_file(key).map_err(|error| unread("tls-key", key, &error))?;
    let config = ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(chain, secret)
        .map_err(|error| {
            let (cert, key) = (cert.display(), key.display());
            format!("tls-cert, tls-key: {cert} and {key} cannot be used together ({error}).")
        })?;
    Ok((TlsAcceptor::from(Arc::new(config)), own))
}

/// Accepts until the task is ended.
pub async fn accept(listener: TcpListener, tls: Option<TlsAcceptor>, server: Arc<Server>) {
    loop {
        // Above the limit nobody is accepted; the system's own queue holds those who come. The permit is
        // taken for who is there, not for who may come, so that the count is right; only this loop takes
        // permits, so one that was free still is.
        let Ok(free) = server.connections.acquire().await else { return };
        drop(free);
        match listener.accept().await {
            Ok((io, from)) => {
                let Ok(permit) = server.connections.clone().try_acquire_owned() else { continue };
                let from = from.ip().to_canonical();
                let guest = if server.settings.proxies.contains(&from) {
                    Some(server.shares.proxied())
                } else {
                    server.shares.arrive(from, server.connections.available_permits())
                };
                let Some(guest) = guest else {
                    tracing::debug!("an address has all the connections that it may have");
                    continue;
                };
                let (tls, server) = (tls.clone(), server.clone());
                tokio::spawn(serve(io, tls, server, Caller { from, guest, permit }));
            }
            Err(error) => {
                // Usually out of file descriptors: connections that end will give some back.
                tracing::warn!(%error, "a connection could not be accepted");
                tokio::time::sleep(ACCEPT_AGAIN_AFTER).await;
            }
        }
    }
}

/// Somebody who has connected, and what that takes up until it ends.
struct Caller {
    from: IpAddr,
    guest: Guest,
    permit: OwnedSemaphorePermit,
}

async fn serve(io: TcpStream, tls: Option<TlsAcceptor>, server: Arc<Server>, caller: Caller) {
    if let Err(error) = io.set_nodelay(true) {
        tracing::debug!(%error, "a small message may wait for the next one");
    }
    let limit = server.settings.limits.handshake;
    // Nothing is set up for somebody who has sent nothing, nor for a crowd before its turn.
    let Some(Ok(())) = in_time(limit, &caller.guest, io.readable()).await else { return };
    let turn = ReadingPlace::wait(&server, limit).await;
    let Some(tls) = tls else { return http(io, server, caller, turn, "http").await };
    match in_time(limit, &caller.guest, tls.accept(io)).await {
        Some(Ok(io)) => http(io, server, caller, turn, "https").await,
        Some(Err(error)) => tracing::debug!(%error, "no TLS with a client"),
        None => tracing::debug!("a client took too long over TLS"),
    }
}

/// What the client is awaited for, if it comes in time, and before the client has to give way to others.
async fn in_time<T>(limit: Duration, guest: &Guest, what: impl Future<Output = T>) -> Option<T> {
    let leave = Arc::new(Notify::new());
    let _awaited = guest.awaited(&leave);
    tokio::select! {
        biased;
        what = timeout(limit, what) => what.ok(),
        () = leave.notified() => None,
    }
}

/// Whether a client is awaited: for its request, or for the next one.
#[derive(Clone)]
struct Patience {
    guest: Guest,
    leave: Arc<Notify>,
    awaited: Arc<Mutex<Option<Awaited>>>,
}

impl Patience {
    fn with(guest: &Guest) -> Patience {
        let patience =
            Patience { guest: guest.clone(), leave: Arc::default(), awaited: Arc::default() };
        patience.begin();
        patience
    }

    fn begin(&self) {
        let awaited = self.guest.awaited(&self.leave);
        *self.awaited.lock().unwrap_or_else(PoisonError::into_inner) = awaited;
    }

    fn end(&self) {
        drop(self.awaited.lock().unwrap_or_else(PoisonError::into_inner).take());
    }
}

/// A place among the requests that are read at the same time.
#[derive(Clone)]
struct ReadingPlace(Arc<Mutex<Option<OwnedSemaphorePermit>>>);

impl ReadingPlace {
    /// Waits for a place; whoever waits too long goes on without one, to be told that the server is full.
    async fn wait(server: &Server, limit: Duration) -> ReadingPlace {
        let place = timeout(limit, server.reading.clone().acquire_owned()).await;
        ReadingPlace(Arc::new(Mutex::new(place.ok().and_then(Result::ok))))
    }

    /// Gives the place to the next.
    fn over(&self) {
        drop(self.0.lock().unwrap_or_else(PoisonError::into_inner).take());
    }
}

/// One HTTP request; an upgrade takes the stream with it.
async fn http<S>(
    io: S,
    server: Arc<Server>,
    caller: Caller,
    turn: ReadingPlace,
    scheme: &'static str,
) where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (upgraded, mut upgrade) = tokio::sync::mpsc::channel(1);
    let limit = server.settings.limits.handshake;
    let (answering, read) = (server.clone(), turn.clone());
    let Caller { from, guest, permit } = caller;
    let patience = Patience::with(&guest);
    let (leave, waiting) = (patience.leave.clone(), patience.clone());
    let service = service_fn(move |mut request: Request<Incoming>| {
        let (server, upgraded, read) = (answering.clone(), upgraded.clone(), read.clone());
        let (guest, waiting) = (guest.clone(), waiting.clone());
        async move {
            waiting.end();
            let path = request.uri().path().to_owned();
            let response = match &*path {
                _ if let Err(why) = server.hosts.check(&request) => unasked(why),
                "/ws" => match web_socket(&server, &request, scheme, (from, guest)).await {
                    Ok((response, stranger)) => {
                        // The channel's one place: this connection carries no second request.
                        let _ = upgraded.try_send((hyper::upgrade::on(&mut request), stranger));
                        response
                    }
                    Err(response) => *response,
                },
                path if path.starts_with(club::http::BELOW) => {
                    read.over();
                    match counted(&server, &request, from, guest) {
                        Some(guest) => club::http::answer(&server, guest, request).await,
                        None => full(),
                    }
                }
                path => page(&request, path, &server),
            };
            if response.status() != StatusCode::SWITCHING_PROTOCOLS {
                waiting.begin();
            }
            read.over();
            Ok::<_, Infallible>(response)
        }
    });
    let served = {
        let serving = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(limit)
            .serve_connection(TokioIo::new(io), service)
            .with_upgrades();
        tokio::pin!(serving);
        let stopping = async {
            // Somebody who is slow with a request keeps its place for this long and no longer.
            let _ = timeout(READING_TURN, server.stopping()).await;
            turn.over();
            server.stopping().await;
        };
        tokio::select! {
            biased;
            served = serving.as_mut() => served,
            () = leave.notified() => return,
            // A browser keeps a connection open for its next page; the server does not wait for that.
            () = stopping => {
                serving.as_mut().graceful_shutdown();
                serving.await
            }
        }
    };
    patience.end();
    if let Err(error) = served {
        tracing::debug!(%error, "a request ended early");
    }
    let Some((on_upgrade, stranger)) = upgrade.recv().await else { return };
    match on_upgrade.await {
        Ok(io) => {
            let config = Some(connection::socket_config(server.settings.limits.coach_bytes));
            // A task of its own: what the request took is given back, and only few bytes stay for hours.
            match io.downcast::<TokioIo<TcpStream>>() {
                Ok(Parts { io, read_buf, .. }) => {
                    let io = Plain::new(io.into_inner(), server.metrics.sent.clone());
                    let (line, read) = (io.line(), read_buf.to_vec());
                    let ws = WebSocketStream::from_partially_read(io, read, Role::Server, config);
                    tokio::spawn(converse(ws.await, Some(line), server, stranger, permit));
                }
                Err(io) => {
                    let io = TokioIo::new(io);
                    let ws = WebSocketStream::from_raw_socket(io, Role::Server, config);
                    tokio::spawn(converse(ws.await, None, server, stranger, permit));
                }
            }
        }
        Err(error) => tracing::debug!(%error, "a client left before the upgrade"),
    }
}

/// Somebody at the door of a WebSocket: a place among strangers, and what counts it for its address.
type Stranger = (OwnedSemaphorePermit, Guest);

async fn converse<S>(
    ws: WebSocketStream<S>,
    line: Option<Arc<Line>>,
    server: Arc<Server>,
    (stranger, guest): Stranger,
    permit: OwnedSemaphorePermit,
) where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    connection::serve(ws, line, server, stranger, guest).await;
    drop(permit);
}

type Page = Response<Full<Bytes>>;

async fn web_socket(
    server: &Server,
    request: &Request<Incoming>,
    scheme: &str,
    (from, guest): (IpAddr, Guest),
) -> Result<(Page, Stranger), Box<Page>> {
    if !is_welcome_from(server, request, scheme) {
        return Err(Box::new(text(StatusCode::FORBIDDEN, "This page may not connect here.")));
    }
    let Some(guest) = counted(server, request, from, guest) else { return Err(Box::new(full())) };
    // A whole club that comes at the same moment is let in one after the other.
    let wait = server.settings.limits.handshake.mul_f64(STRANGER_WAIT);
    let place = timeout(wait, server.strangers.clone().acquire_owned());
    let Ok(Ok(stranger)) = place.await else { return Err(Box::new(full())) };
    let mut asked = Request::new(());
    *asked.method_mut() = request.method().clone();
    *asked.uri_mut() = request.uri().clone();
    *asked.version_mut() = request.version();
    *asked.headers_mut() = request.headers().clone();
    match create_response(&asked) {
        Ok(response) => Ok((response.map(|()| Full::default()), (stranger, guest))),
        Err(error) => {
            let says = format!("This is for WebSockets: {error}.");
            Err(Box::new(text(StatusCode::BAD_REQUEST, &says)))
        }
    }
}

/// For whom a request counts: a trusted proxy says for whom it speaks, and nobody else who says so is believed.
fn counted(
    server: &Server,
    request: &Request<Incoming>,
    from: IpAddr,
    guest: Guest,
) -> Option<Guest> {
    let Settings { proxies, client_address_header, .. } = &server.settings;
    if !proxies.contains(&from) {
        return Some(guest);
    }
    match client_behind(from, request.headers(), client_address_header, proxies) {
        // A proxy that speaks for itself, or for nobody that it names.
        client if proxies.contains(&client) => Some(guest),
        client => server.shares.arrive(client, server.connections.available_permits()),
    }
}

fn full() -> Page {
    let mut full = text(StatusCode::SERVICE_UNAVAILABLE, "Very many are connecting; come back.");
    full.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("2"));
    full
}

/// A browser says which page is connecting. No cookie is used here, so a strange page could do nothing with a
/// secret that it does not have; it is turned away all the same (OWASP, WebSocket security).
fn is_welcome_from(server: &Server, request: &Request<Incoming>, scheme: &str) -> bool {
    let Some(origin) = request.headers().get(header::ORIGIN) else { return true };
    let Ok(origin) = origin.to_str() else { return false };
    let host = request.headers().get(header::HOST).and_then(|host| host.to_str().ok());
    host.is_some_and(|host| origin == format!("{scheme}://{host}"))
        || server.settings.origins.iter().any(|allowed| allowed == origin)
}

/// A request that is not for this server (RFC 9110 section 15.5.20).
fn unasked(why: Unasked) -> Page {
    match why {
        Unasked::NoHost => text(StatusCode::BAD_REQUEST, "Name this server in one Host header."),
        Unasked::Elsewhere(name) => {
            let (name, setting) = name.map_or_else(
                || ("that name".to_owned(), "--hosts".to_owned()),
                |name| (name.clone(), format!("--hosts {name}")),
            );
            let says = format!(
                "This server does not answer to {name}: open it by its address, or start it with {setting}."
            );
            text(StatusCode::MISDIRECTED_REQUEST, &says)
        }
    }
}

fn page(request: &Request<Incoming>, path: &str, server: &Server) -> Page {
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        let mut refused = text(StatusCode::METHOD_NOT_ALLOWED, "Pages can only be read.");
        refused.headers_mut().insert(header::ALLOW, HeaderValue::from_static("GET, HEAD"));
        return refused;
    }
    let html = |status, body: String| answer(status, "text/html; charset=utf-8", body);
    match path {
        "/" => html(StatusCode::OK, pages::welcome()),
        "/healthz" => {
            // Strangers may ask this: how many are here, and what is missing, is told only at the inner
            // address.
            let health = serde_json::json!({"ok": server.takes_work().is_ok()});
            answer(StatusCode::OK, "application/json", health.to_string())
        }
        "/board" | "/board/" => html(StatusCode::NOT_FOUND, pages::no_board()),
        _ => pages::file(path).map_or_else(
            || html(StatusCode::NOT_FOUND, pages::not_found()),
            |file| built(path, file, takes_gzip(request)),
        ),
    }
}

fn takes_gzip(request: &Request<Incoming>) -> bool {
    let lines = request.headers().get_all(header::ACCEPT_ENCODING);
    pages::takes_gzip(lines.iter().filter_map(|line| line.to_str().ok()))
}

/// A built file; one with its hash in its name is never asked for twice.
fn built(path: &str, file: pages::File, takes_gzip: bool) -> Page {
    let packed = file.gzip.filter(|_| takes_gzip);
    let body = Bytes::from_static(packed.unwrap_or(file.body));
    let mut response = headed(StatusCode::OK, file.media, Full::from(body));
    let headers = response.headers_mut();
    if file.gzip.is_some() {
        // What a cache on the way keeps must not be handed to somebody who reads it differently.
        headers.insert(header::VARY, HeaderValue::from_static("accept-encoding"));
    }
    if packed.is_some() {
        headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
    }
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(pages::POLICY));
    if path.starts_with(pages::KEPT_FOR_EVER) {
        let ever = HeaderValue::from_static("public, max-age=31536000, immutable");
        headers.insert(header::CACHE_CONTROL, ever);
    }
    response
}

fn text(status: StatusCode, says: &str) -> Page {
    answer(status, "text/plain; charset=utf-8", says.to_owned())
}

fn answer(status: StatusCode, media: &'static str, body: String) -> Page {
    headed(status, media, Full::from(body))
}

fn headed(status: StatusCode, media: &'static str, body: Full<Bytes>) -> Page {
    let mut response = Response::new(body);
    *response.status_mut() = status;
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media));
    for (name, value) in pages::HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}
