//! What a browser gets: the built pages of coach, athlete and board, and two plain ones in words.

/// Every answer of the server carries these, so that nothing it hands out is misread or framed.
pub const HEADERS: [(&str, &str); 4] = [
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    (
        "content-security-policy",
        "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'",
    ),
    ("cache-control", "no-cache"),
];

const STYLE: &str = "body{font:1.25rem/1.5 system-ui,sans-serif;max-width:40rem;margin:3rem auto;padding:0 1rem;\
color:#15181d;background:#f6f3ec}code{background:#fff;padding:.1em .3em}\
@media(prefers-color-scheme:dark){body{color:#f5f1e8;background:#0d1116}code{background:#171d25}}";

/// The page at `/`: says what this is.
#[must_use]
pub fn welcome() -> String {
    page(
        "Thole",
        &format!(
            "<h1>Thole {}</h1><p>This is a server for group sessions on rowing machines. A coach leads, \
             everybody rows against a target of their own, and a screen shows where everybody stands.</p>\
             <p>Your coach has the join code and the links. With a join code: <a href=\"/row/\">row</a>. \
             To lead a group: <a href=\"/coach/\">set up a session</a>.</p>",
            env!("CARGO_PKG_VERSION")
        ),
    )
}

/// One built file, as it is handed out.
#[derive(Clone, Copy, Debug)]
pub struct File {
    path: &'static str,
    /// Its media type.
    pub media: &'static str,
    /// What is in it.
    pub body: &'static [u8],
    /// The same with the content coding `gzip` of RFC 9110, for files that it makes smaller.
    pub gzip: Option<&'static [u8]>,
}

// `BUILD` and `FILES`, written by the build script.
include!(concat!(env!("OUT_DIR"), "/pages.rs"));

/// What the built pages may do: run and show what this server hands out, talk to it, and nothing else.
pub const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; \
    img-src 'self' data:; connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; \
    frame-ancestors 'none'";

/// Names below this contain a hash of the content, so they may be kept for ever.
pub const KEPT_FOR_EVER: &str = "/assets/";

/// The built file at this address: a page for coach, athlete or board, or what a page needs.
#[must_use]
pub fn file(path: &str) -> Option<File> {
    let page = |of: &str| path.strip_prefix(of).is_some_and(|code| !code.contains('/'));
    let path = match path {
        _ if page("/coach/") || path == "/coach" => "/coach.html",
        _ if page("/row/") || path == "/row" => "/athlete.html",
        _ if page("/board/") => "/board.html",
        "/club" | "/club/" => "/club.html",
        "/me" | "/me/" => "/me.html",
        // A page has one address, with its code in it.
        _ if path.ends_with(".html") => return None,
        other => other,
    };
    let at = FILES.binary_search_by_key(&path, |file| file.path).ok()?;
    FILES.get(at).copied()
}

/// Whether the client accepts `gzip`, by all lines of `Accept-Encoding` (RFC 9110 section 12.5.3). Without
/// any such line a browser would accept it, but somebody's own program would show it as it is: so no.
#[must_use]
pub fn takes_gzip<'a>(lines: impl Iterator<Item = &'a str>) -> bool {
    let (mut gzip, mut any, mut plain) = (None, None, None);
    for coding in lines.flat_map(|line| line.split(',')) {
        let mut parts = coding.split(';').map(str::trim);
        let name = parts.next().unwrap_or_default().to_ascii_lowercase();
        let said =
            parts.find_map(|part| part.strip_prefix("q=").or_else(|| part.strip_prefix("Q=")));
        // An invalid weight is taken for a refusal: uncompressed is always right.
        let weight = said.map_or(1.0, |said| said.parse::<f32>().unwrap_or(0.0));
        match name.as_str() {
            "gzip" | "x-gzip" => gzip = Some(weight),
            "identity" => plain = Some(weight),
            "*" => any = Some(weight),
            _ => {}
        }
    }
    let weight = gzip.or(any).unwrap_or(0.0);
    weight > 0.0 && plain.is_none_or(|plain| plain <= weight)
}

/// The page for a board's address without its code, which somebody may type into a TV.
#[must_use]
pub fn no_board() -> String {
    page(
        "Board",
        "<h1>Which board?</h1><p>A board opens by a link of its own: the coach finds it under Prepare, Gym TV.</p>",
    )
}

/// The page for every other address.
#[must_use]
pub fn not_found() -> String {
    page(
        "Not found",
        "<h1>Nothing here</h1><p>Ask your coach for the link, or start at <a href=\"/\">the first page</a>.</p>",
    )
}

fn page(title: &str, body: &str) -> String {
    format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><title>{title}</title>\
         <meta name=\"viewport\" content=\"width=device-width\"><link rel=\"icon\" href=\"data:,\">\
         <style>{STYLE}</style></head><body>{body}</body></html>"
    )
}
