//! The inner address, for whoever runs the server and nobody else: `/metrics` to measure it, `/readyz` to ask whether it
//! takes on work.

use std::{convert::Infallible, net::SocketAddr, sync::Arc, time::Duration};

use http_body_util::Full;
use hyper::{
    Method, Request, Response, StatusCode,
    body::{Bytes, Incoming},
    header::{self, HeaderValue},
    server::conn::http1,
    service::service_fn,
};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::{
    net::{TcpListener, TcpStream},
    sync::Semaphore,
    time::timeout,
};

use crate::{Server, disk::try_to_write, limits::ACCEPT_AGAIN_AFTER};

/// How many may ask at once: a collector, a probe, a person, and some more.
const ASKING: usize = 16;
/// Whoever is slower than this with a request, or with taking the answer, is dropped.
const ASKED_WITHIN: Duration = Duration::from_secs(5);
/// A journal that takes longer than this to write is not ready.
const WRITTEN_WITHIN: Duration = Duration::from_secs(2);
/// The media type of OpenMetrics text, as its specification 1.0 names it.
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Where the inner address is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InnerListen {
    /// Where it usually is, on this machine only; a server that finds it taken goes on without it.
    Usual(SocketAddr),
    /// Here, or the server does not start.
    At(SocketAddr),
    /// Nowhere.
    Off,
}

/// Listens at the inner address; `None` when there is not to be one.
///
/// # Errors
/// It is not possible to listen on an address that was asked for by name; says which.
pub async fn bind(listen: InnerListen) -> Result<Option<TcpListener>, String> {
    let (InnerListen::Usual(at) | InnerListen::At(at)) = listen else { return Ok(None) };
    match TcpListener::bind(at).await {
        Ok(bound) => Ok(Some(bound)),
        Err(error) if listen == InnerListen::Usual(at) => {
            tracing::warn!(%error, inner_listen = %at, "/metrics and /readyz are not available: name another inner-listen, or off");
            Ok(None)
        }
        Err(error) => Err(format!(
            "inner-listen: cannot listen on {at} ({error}); name another address, or off."
        )),
    }
}

/// Answers until the task is ended.
pub async fn accept(listener: TcpListener, server: Arc<Server>) {
    let places = Arc::new(Semaphore::new(ASKING));
    loop {
        let Ok(place) = places.clone().acquire_owned().await else { return };
        match listener.accept().await {
            Ok((io, _)) => {
                let server = server.clone();
                tokio::spawn(async move {
                    // Whoever is too slow gets no answer; there is nobody to tell.
                    let _ = timeout(ASKED_WITHIN, answer(io, server)).await;
                    drop(place);
                });
            }
            Err(error) => {
                tracing::warn!(%error, "a connection to the inner address could not be accepted");
                tokio::time::sleep(ACCEPT_AGAIN_AFTER).await;
            }
        }
    }
}

/// One request; the connection ends with it, so that few places are enough.
async fn answer(io: TcpStream, server: Arc<Server>) {
    let service = service_fn(|request: Request<Incoming>| {
        let server = server.clone();
        async move { Ok::<_, Infallible>(answered(&request, &server).await) }
    });
    let mut serving = http1::Builder::new();
    serving.timer(TokioTimer::new()).keep_alive(false);
    if let Err(error) = serving.serve_connection(TokioIo::new(io), service).await {
        tracing::debug!(%error, "a request to the inner address ended early");
    }
}

async fn answered(request: &Request<Incoming>, server: &Arc<Server>) -> Response<Full<Bytes>> {
    let plain = "text/plain; charset=utf-8";
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        return said(StatusCode::METHOD_NOT_ALLOWED, plain, "This can only be read.\n");
    }
    match request.uri().path() {
        "/metrics" => match server.measured() {
            Ok(text) => said(StatusCode::OK, OPEN_METRICS, text),
            Err(error) => said(StatusCode::INTERNAL_SERVER_ERROR, plain, format!("{error}\n")),
        },
        "/readyz" => match ready(server).await {
            Ok(()) => said(StatusCode::OK, plain, "ready\n"),
            Err(why) => said(StatusCode::SERVICE_UNAVAILABLE, plain, format!("{why}\n")),
        },
        _ => said(StatusCode::NOT_FOUND, plain, "Here are /metrics and /readyz.\n"),
    }
}

fn said(status: StatusCode, media: &'static str, body: impl Into<Bytes>) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(body.into()));
    *response.status_mut() = status;
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

/// Whether the server takes on work: it is not stopping, and what is handed to the journal now becomes durable.
async fn ready(server: &Arc<Server>) -> Result<(), String> {
    if let Err(why) = server.takes_work()
        && !server.reads_only()
    {
        return Err(why);
    }
    match timeout(WRITTEN_WITHIN, try_to_write(server)).await {
        Ok(Ok(())) => {
            server.writes_again();
            Ok(())
        }
        Ok(Err(error)) => {
            server.failing(&error);
            Err(format!("{error}."))
        }
        Err(_) => Err(format!("the journal takes longer than {WRITTEN_WITHIN:?} to write.")),
    }
}
