//! The inner address: what is measured is OpenMetrics and names nobody, and ready means that work is accepted.

use std::{collections::BTreeMap, sync::Arc, time::Duration};

use serde_json::json;
use thole_server::{Running, config::ServeArgs, journal::memory::MemoryJournal, start};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{TcpListener, TcpStream},
    time::timeout,
};
use tokio_tungstenite::client_async;

use crate::program::{next, say};

const PATIENCE: Duration = Duration::from_secs(20);

async fn served(inner: &str, journal: Arc<MemoryJournal>) -> Result<Running, String> {
    let args = ServeArgs::default().with("listen", "127.0.0.1:0").with("inner-listen", inner);
    start(args.settings().unwrap(), journal).await
}

/// The head and the body of an answer.
async fn asked(running: &Running, line: &str) -> (String, String) {
    let mut io = TcpStream::connect(running.inner.unwrap()).await.unwrap();
    io.write_all(format!("{line} HTTP/1.1\r\nHost: inner\r\n\r\n").as_bytes()).await.unwrap();
    let mut all = String::new();
    timeout(PATIENCE, io.read_to_string(&mut all)).await.expect("no end").unwrap();
    let (head, body) = all.split_once("\r\n\r\n").unwrap();
    (head.to_owned(), body.to_owned())
}

/// Reads a text by the rules of OpenMetrics 1.0 that matter to a collector: every sample by its name and labels.
fn read(text: &str) -> BTreeMap<String, f64> {
    assert!(text.ends_with("# EOF\n"), "it ends with EOF: {text}");
    let mut kinds: BTreeMap<&str, &str> = BTreeMap::new();
    let mut samples = BTreeMap::new();
    for line in text.lines() {
        if let Some(told) = line.strip_prefix("# ") {
            let mut words = told.splitn(3, ' ');
            match (words.next().unwrap(), words.next(), words.next()) {
                ("TYPE", Some(name), Some(kind)) => {
                    assert!(kinds.insert(name, kind).is_none(), "{name} is told twice");
                }
                ("UNIT", Some(name), Some(unit)) => assert!(name.ends_with(&format!("_{unit}"))),
                ("HELP", Some(_), Some(help)) => assert!(help.len() > 4, "{line}"),
                ("EOF", None, None) => {}
                other => panic!("{line}: {other:?}"),
            }
            continue;
        }
        let (series, value) = line.rsplit_once(' ').unwrap();
        let name = series.split('{').next().unwrap();
        let suffixes = ["_total", "_bucket", "_count", "_sum", "_info", ""];
        let (family, suffix) = suffixes
            .iter()
            .find_map(|end| Some((name.strip_suffix(end)?, *end)))
            .filter(|(family, _)| kinds.contains_key(family))
            .unwrap_or_else(|| panic!("{line} belongs to nothing that was told before"));
        match kinds[family] {
            "counter" => assert_eq!(suffix, "_total", "{line}"),
            "gauge" => assert_eq!(suffix, "", "{line}"),
            "histogram" => assert!(["_bucket", "_count", "_sum"].contains(&suffix), "{line}"),
            "info" => assert_eq!(suffix, "_info", "{line}"),
            kind => panic!("{line}: {kind}"),
        }
        assert!(samples.insert(series.to_owned(), value.parse().unwrap()).is_none(), "{line}");
    }
    samples
}

/// What a label may say: words and codes of the program, never what somebody typed or is.
fn is_of_nobody(series: &str) -> bool {
    let Some((_, labels)) = series.split_once('{') else { return true };
    labels.trim_end_matches('}').split(',').all(|label| {
        let (name, value) = label.split_once('=').unwrap();
        let value = value.trim_matches('"');
        match name {
            "role" => ["coach", "athlete", "board"].contains(&value),
            "why" => value.chars().all(|c| c.is_ascii_lowercase() || c == '_'),
            "code" => value.parse::<u16>().is_ok(),
            "version" => value == env!("CARGO_PKG_VERSION"),
            "le" => value.parse::<f64>().is_ok(),
            _ => false,
        }
    })
}

#[tokio::test]
async fn what_is_measured_can_be_read_and_names_nobody() {
    let running = served("127.0.0.1:0", Arc::default()).await.unwrap();
    let io = TcpStream::connect(running.address).await.unwrap();
    let mut socket = client_async(format!("ws://{}/ws", running.address), io).await.unwrap().0;
    say(&mut socket, json!({"type": "create", "title": "Weir House", "key": running.server.makers.machine_key()})).await;
    let created: serde_json::Value =
        serde_json::from_str(next(&mut socket).await.to_text().unwrap()).unwrap();
    say(&mut socket, json!({"type": "Philomena"})).await;
    next(&mut socket).await;
    let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": created["coach_secret"], "last_event": 0});
    say(&mut socket, hello).await;
    next(&mut socket).await;
    // The welcome is written by the session; whoever has an answer from the connection itself has been
    // counted.
    say(&mut socket, json!({"type": "clock", "client_sent_us": 1})).await;
    next(&mut socket).await;

    let (head, body) = asked(&running, "GET /metrics").await;
    assert!(head.contains("application/openmetrics-text; version=1.0.0"), "{head}");
    let samples = read(&body);
    for (series, least) in [
        ("thole_connections_welcomed{role=\"coach\"}", 1.0),
        ("thole_connections", 1.0),
        ("thole_connections_max", 20_000.0),
        ("thole_sessions", 1.0),
        ("thole_refused_total{why=\"unknown_type\"}", 1.0),
        ("thole_commit_seconds_count", 0.0),
        ("thole_appends_waiting", 0.0),
        ("thole_received_bytes_total", 150.0),
        ("thole_sent_bytes_total", 500.0),
        ("thole_results_total", 0.0),
        ("thole_ready", 1.0),
        ("thole_build_info{version=\"0.1.0\"}", 1.0),
    ] {
        let value = samples.get(series).unwrap_or_else(|| panic!("{series} is not in {body}"));
        assert!(*value >= least, "{series} {value}");
    }
    for series in samples.keys() {
        assert!(is_of_nobody(series), "{series}");
    }
    // A wrong secret shows by its code, and whoever left is no longer counted.
    drop(socket);
    let io = TcpStream::connect(running.address).await.unwrap();
    let mut stranger = client_async(format!("ws://{}/ws", running.address), io).await.unwrap().0;
    let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": "nobody has this", "last_event": 0});
    say(&mut stranger, hello).await;
    assert!(next(&mut stranger).await.is_close());
    let samples = read(&asked(&running, "GET /metrics").await.1);
    assert_eq!(samples["thole_closed_total{code=\"4500\"}"], 1.0);
}

#[tokio::test]
async fn ready_means_that_what_is_written_now_becomes_durable() {
    let journal = Arc::new(MemoryJournal::default());
    let running = served("127.0.0.1:0", journal.clone()).await.unwrap();
    let (head, body) = asked(&running, "GET /readyz").await;
    assert!(head.contains(" 200 ") && body == "ready\n", "{head} {body}");
    let (head, _) = asked(&running, "POST /readyz").await;
    assert!(head.contains(" 405 "), "{head}");
    let (head, _) = asked(&running, "GET /healthz").await;
    assert!(head.contains(" 404 "), "{head}");
    running.server.fail(&thole_server::journal::JournalError::Write("the disk is gone".to_owned()));
    let (head, body) = asked(&running, "GET /readyz").await;
    assert!(head.contains(" 503 ") && body.contains("the disk is gone"), "{head} {body}");
    assert_eq!(read(&asked(&running, "GET /metrics").await.1)["thole_ready"], 0.0);
}

#[tokio::test]
async fn an_inner_address_that_was_named_has_to_be_there_and_can_be_off() {
    let taken = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = taken.local_addr().unwrap();
    let says = served(&at.to_string(), Arc::default()).await.err().unwrap();
    assert!(says.starts_with(&format!("inner-listen: cannot listen on {at}")), "{says}");
    assert!(served("off", Arc::default()).await.unwrap().inner.is_none());
}
