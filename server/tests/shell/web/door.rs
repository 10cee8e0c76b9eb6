//! Who is turned away before saying a word, and why: broken frames, strange names, silent crowds.

use super::*;

/// The code of the close frame that ends what comes, `None` if there is none (RFC 6455 section 5.5.1).
async fn close_code(io: &mut TcpStream) -> Option<u16> {
    let mut all = Vec::new();
    // Somebody who is told why may still find the connection reset afterwards.
    let _ = timeout(PATIENCE, io.read_to_end(&mut all)).await.expect("the server never ends");
    let at = all.iter().position(|byte| *byte == 0x88)?;
    Some(u16::from_be_bytes([*all.get(at + 2)?, *all.get(at + 3)?]))
}

/// What no client may send, with the section of RFC 6455 that forbids it; its section 7.4.1 has the codes. The mask is
/// four zeros, which leaves the payload as it is.
#[tokio::test]
async fn a_broken_frame_is_answered_with_the_code_of_what_is_wrong_with_it() {
    const MASK: [u8; 4] = [0; 4];
    let server = served(|args| args).await;
    let frame = |first: u8, payload: &[u8]| {
        [&[first, 0x80 | u8::try_from(payload.len()).unwrap()][..], &MASK, payload].concat()
    };
    let long_ping = [&[0x89, 0x80 | 126, 0, 126][..], &MASK, &[b'x'; 126]].concat();
    for (what, bytes, code) in [
        ("5.1: not masked", vec![0x81, 2, b'h', b'i'], 1_002),
        ("5.2: a reserved bit", frame(0xc1, b"hi"), 1_002),
        ("5.2: a reserved opcode of data", frame(0x83, b"hi"), 1_002),
        ("5.2: a reserved opcode of control", frame(0x8b, b"hi"), 1_002),
        ("5.4: goes on with nothing", frame(0x80, b"hi"), 1_002),
        ("5.4: begins anew in the middle", [frame(0x01, b"h"), frame(0x81, b"i")].concat(), 1_002),
        ("5.5: a control frame in parts", frame(0x09, b"hi"), 1_002),
        ("5.5: a control frame of 126 bytes", long_ping, 1_002),
        ("5.5.1: half a close code", frame(0x88, &[3]), 1_002),
        ("7.4.1: a close code that is never sent", frame(0x88, &[3, 0xed]), 1_002),
        ("8.1: a text that is not UTF-8", frame(0x81, &[0xc3, 0x28]), 1_007),
        (
            "8.1: half a character in the last part",
            [frame(0x01, &[0xe2]), frame(0x80, &[0x82])].concat(),
            1_007,
        ),
        ("5.5.1: a reason that is not UTF-8", frame(0x88, &[3, 0xe8, 0xc3, 0x28]), 1_007),
        ("5.5.1: a close frame is answered", frame(0x88, &[3, 0xe8]), 1_000),
        ("5.6: bytes where text was expected", frame(0x82, b"hi"), 1_003),
    ] {
        // More comes after it than anybody reads.
        for behind in [0, 20_000] {
            let (_, mut io) = upgraded(&server, "").await;
            let bytes = [bytes.clone(), vec![b'{'; behind]].concat();
            io.write_all(&bytes).await.unwrap();
            if code == 1_000 || code == 1_003 {
                io.shutdown().await.unwrap();
            }
            assert_eq!(close_code(&mut io).await, Some(code), "{what}, {behind} bytes behind it");
            if code == 1_000 || code == 1_003 {
                break;
            }
        }
    }
}

/// A page under a name that was made to point here says whose it is in both headers, and they agree.
#[tokio::test]
async fn a_page_of_a_name_that_was_bound_to_this_address_is_let_in_nowhere() {
    let server = served(|args| args).await;
    let says = "does not answer to evil.example: open it by its address, or start it with --hosts evil.example.";
    let asking = "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n\
                  Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nOrigin: http://evil.example:8737\r\n";
    for (path, headers) in [
        ("/ws", asking),
        ("/healthz", "Connection: close\r\n"),
        ("/coach/", "Connection: close\r\n"),
    ] {
        let mut io = connected(&server).await;
        let request = format!("GET {path} HTTP/1.1\r\nHost: evil.example:8737\r\n{headers}\r\n");
        io.write_all(request.as_bytes()).await.unwrap();
        let mut answer = [0; 12];
        io.read_exact(&mut answer).await.unwrap();
        assert_eq!(&answer, b"HTTP/1.1 421", "{path}");
        io.shutdown().await.unwrap();
        assert!(rest(&mut io).await.contains(says), "{path}");
    }
    let named = served(|args| args.with("hosts", "evil.example")).await;
    let request = "GET /healthz HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n";
    let mut io = connected(&named).await;
    io.write_all(request.as_bytes()).await.unwrap();
    assert_eq!(status(&rest(&mut io).await), "200", "the setting that was named is the one");
}

#[tokio::test]
async fn above_the_limit_of_strangers_who_has_kept_silent_for_longest_gives_way() {
    let server = served(|args| args.with("strangers-max", "2")).await;
    let (_, mut first) = upgraded(&server, "").await;
    let (_, second) = upgraded(&server, "").await;
    let (answer, _third) = upgraded(&server, "").await;
    assert_eq!(status(&answer), "101", "{answer}");
    assert_eq!(close_code(&mut first).await, Some(1_013), "come back");
    assert_eq!(status(&page(&server, "GET /").await), "200", "pages are handed out, too");
    drop(second);
}

/// Silent at each stage: connected, part of the request sent, a WebSocket and not a word.
#[tokio::test]
async fn a_silent_crowd_of_one_address_keeps_nobody_out() {
    let server =
        served(|args| args.with("strangers-max", 40).with("strangers-per-address", 10)).await;
    let mut crowd = Vec::new();
    for _ in 0..20 {
        crowd.push(connected(&server).await);
        let mut part = connected(&server).await;
        part.write_all(b"GET /ws HTTP/1.1\r\nHost: loc").await.unwrap();
        crowd.push(part);
        // It may have had to give way before it was answered.
        let mut silent = connected(&server).await;
        let asking = format!(
            "GET /ws HTTP/1.1\r\nHost: {}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\
             Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {KEY}\r\n\r\n",
            server.address
        );
        silent.write_all(asking.as_bytes()).await.unwrap();
        crowd.push(silent);
    }
    let (answer, _io) = upgraded(&server, "").await;
    assert_eq!(status(&answer), "101", "{answer}");
    // Of the crowd, those are left who still have time to speak.
    let few = async {
        while server.server.connected() > 11 {
            tokio::task::yield_now().await
        }
    };
    timeout(PATIENCE, few).await.expect("those who give way are closed");
    drop(crowd);
}

/// Without a trusted proxy the header is whatever anybody writes into it.
#[tokio::test]
async fn a_client_that_names_another_address_gains_nothing() {
    for (proxies, codes) in [("", ["101", "closed"]), ("127.0.0.1", ["101", "101"])] {
        let server =
            served(|args| args.with("connections-per-address", 1).with("proxies", proxies)).await;
        let mut kept = Vec::new();
        for (nth, code) in codes.iter().enumerate() {
            let mut io = connected(&server).await;
            let request = format!(
                "GET /ws HTTP/1.1\r\nHost: {}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\
                 Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {KEY}\r\n\
                 X-Forwarded-For: 192.0.2.1, 198.51.100.{nth}\r\n\r\n",
                server.address
            );
            // Somebody who is not accepted may find out while writing.
            let _ = io.write_all(request.as_bytes()).await;
            let mut begins = [0; 12];
            let read = timeout(PATIENCE, io.read_exact(&mut begins)).await.expect("no answer");
            let got = if read.is_ok() {
                String::from_utf8_lossy(&begins[9..]).into_owned()
            } else {
                "closed".to_owned()
            };
            assert_eq!(got, *code, "proxies {proxies:?}, connection {nth}");
            kept.push(io);
        }
    }
}
