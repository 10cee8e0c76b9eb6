//! What a browser gets: plain pages of our own words until the pages proper are here.

/// Every answer of the server carries these, so that nothing that it hands out is mistaken or framed.
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

/// The page at `/`: what this is.
#[must_use]
pub fn welcome() -> String {
    page(
        "Thole",
        &format!(
            "<h1>Thole {}</h1><p>This is a server for group sessions on rowing machines. A coach leads, \
             everybody rows against a target of their own, and a screen shows how all stand.</p>\
             <p>Nothing is to be set up here. Your coach has the join code and the links.</p>",
            env!("CARGO_PKG_VERSION")
        ),
    )
}

/// The page behind the links of coach, athlete and board.
#[must_use]
pub fn link(who: Link) -> String {
    let (title, does) = match who {
        Link::Coach => ("Coach", "thole coach --link 'THIS LINK' lead"),
        Link::Row => ("Row", "thole row --link 'THIS LINK'"),
        Link::Board => ("Board", "thole board --link 'THIS LINK'"),
    };
    page(
        title,
        &format!(
            "<h1>{title}</h1><p>This link works, and the page for it is not built yet. Until it is, use \
             the program for the command line, with the whole link in quotes:</p>\
             <p><code>{does}</code></p>\
             <p>The part of the link behind the # is its secret: it never leaves this browser. Keep it \
             to yourself.</p>"
        ),
    )
}

/// Which link was followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Link {
    /// `/coach/CODE`
    Coach,
    /// `/row/CODE`
    Row,
    /// `/board/CODE`
    Board,
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
