//! Who is there: a new session, somebody who joins by code, or a secret.

use std::{sync::Arc, time::Duration};

use thole_host::Said;
use thole_piece::{Input, limits as core_limits, name};
use thole_protocol::{
    ClientMsg, ServerMsg, VERSION,
    client_msg::{Create, Hello, Join, Misread, Role},
    close::Close,
    ids::{AthleteId, JoinCode, SessionId},
    order::GivenBy,
    refusal::{Refusal, Why},
    server_msg::Created,
    spec::SessionSettings,
    units::At,
};
use tokio::{
    io::{AsyncRead, AsyncWrite},
    sync::{Notify, oneshot},
    time::{sleep, timeout},
};
use tokio_tungstenite::tungstenite::Utf8Bytes;
use uuid::Uuid;

use super::{
    Ended, Socket,
    hearing::misread,
    joining::{self, Came, WAITS_SILENT, Waits},
    keyed, refusal,
};
use crate::{
    Server,
    clock::SessionClock,
    journal::{Append, Grant, Held, Holder, JournalError, Record, SessionRow},
    limits::{Allowance, FULL, REFUSALS_MAX, SAID_AGAIN_AFTER, STRANGER_BYTES, WRONG_MAX},
    outbox::{Outbox, Outgoing},
    registry::{Handle, Registry},
    secret::{SecretHash, new_secret, random_code},
    session::{Arrival, ConnId, Event, NoMore},
    shares::Guest,
};

/// How often a code that is in use may be drawn before something must be wrong.
const CODES_TRIED: usize = 20;
/// How often a session may be just ending when somebody comes.
pub(super) const OPENS_TRIED: usize = 3;

/// A connection that its session has welcomed.
pub(super) struct Welcomed {
    pub(super) conn: ConnId,
    pub(super) role: Role,
    pub(super) you: Option<AthleteId>,
    pub(super) handle: Handle,
    pub(super) clock: SessionClock,
    pub(super) out: Outgoing,
}

/// Listens to `create`, `join` and `hello` until somebody is let in.
pub(super) async fn greet<S>(socket: &mut Socket<S>, guest: &Guest) -> Result<Welcomed, Ended>
where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    let mut waits = None;
    let greeted = hear_stranger(socket, guest, &mut waits).await;
    if let Some(waits) = waits {
        // Somebody who comes in by a link of their own no longer asks.
        let why = if greeted.is_ok() { NoMore::Withdrawn } else { NoMore::Lost };
        waits.ends(why).await;
    }
    greeted
}

async fn hear_stranger<S>(
    socket: &mut Socket<S>,
    guest: &Guest,
    waits: &mut Option<Box<Waits>>,
) -> Result<Welcomed, Ended>
where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    let server = socket.server.clone();
    let (mut bytes, mut wrong) = (0, 0);
    let mut refusals = Allowance::new(REFUSALS_MAX, 1.0, server.clock.instant());
    loop {
        if waits.is_some() {
            // Somebody who has given a right code and waits for the coach is on a list that is short; others
            // find room.
            socket.stranger = None;
        }
        let Some(text) = hear_or_decide(socket, guest, waits).await? else { continue };
        let msg = ClientMsg::read(&text);
        if let (Some(waits), Ok((ClientMsg::Join(join), _))) = (waits.as_deref_mut(), &msg)
            && waits.is_said_again(join, server.clock.instant())
        {
            socket.say(&waits.says()).await?;
            continue;
        }
        bytes += text.len();
        if bytes > STRANGER_BYTES {
            return Err(Ended::Closing(Close::TooMany));
        }
        if server.reads_only() {
            return Err(full(socket).await);
        }
        let may_be_guess = may_be_guess(&msg);
        let answer = match msg {
            Ok((ClientMsg::Hello(hello), unknown)) => {
                server.count_unknown(unknown);
                return welcome(socket, hello, guest).await;
            }
            Ok((ClientMsg::Create(create), _)) => {
                answer(created(&server, create, guest).await?, ServerMsg::Created)
            }
            Ok((ClientMsg::Join(join), _)) => {
                if let Some(before) = waits.take() {
                    before.ends(NoMore::Withdrawn).await;
                }
                come_by_code(&server, join, guest, waits).await?
            }
            Ok((_, _)) => refused(refusal(Why::NotNow, "Say hello first, with your secret.")),
            Err(error) => refused(misread(error)),
        };
        if let ServerMsg::Refused { refusal, .. } = &answer {
            server.metrics.refused(refusal.why);
        }
        socket.say(&answer).await?;
        let ServerMsg::Refused { refusal, .. } = answer else { continue };
        wrong += u32::from(may_be_guess == Some(refusal.why));
        if wrong >= WRONG_MAX {
            return Err(Ended::Closing(Close::WrongTooOften));
        }
        if !refusals.take(server.clock.instant()) {
            return Err(Ended::Closing(Close::TooMany));
        }
    }
}

/// Whoever comes is told why nothing goes on, and to come back.
async fn full<S>(socket: &mut Socket<S>) -> Ended
where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    let told = socket.say(&refused(refusal(Why::Limit, FULL))).await;
    told.err().unwrap_or(Ended::Closing(Close::TooSlow))
}

/// Which refusals mean that what was said may have been a guess: a code that no session has, or a wrong key.
fn may_be_guess(msg: &Result<(ClientMsg, u32), Misread>) -> Option<Why> {
    match msg {
        Ok((ClientMsg::Join(join), _)) if join.key.is_some() => Some(Why::NotYours),
        Ok((ClientMsg::Join(_), _)) => Some(Why::Unknown),
        Ok((ClientMsg::Create(create), _)) if create.key.is_some() => Some(Why::NotYours),
        Ok(_) | Err(_) => None,
    }
}

/// What is said next; `None` when it was nothing, or the coach has decided and that was told. Somebody who keeps the
/// server waiting may have to give way to others; whoever waits for the coach has given a code that is right.
async fn hear_or_decide<S>(
    socket: &mut Socket<S>,
    guest: &Guest,
    waits: &mut Option<Box<Waits>>,
) -> Result<Option<Utf8Bytes>, Ended>
where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    let limits = socket.server.settings.limits.clone();
    let silence = if waits.is_some() { WAITS_SILENT } else { limits.handshake };
    let hears = timeout(silence, hear_text(socket, limits.stranger_bytes));
    let Some(waiting) = waits.as_deref_mut() else {
        let leave = Arc::new(Notify::new());
        let _awaited = guest.awaited(&leave);
        return tokio::select! {
            biased;
            heard = hears => heard.unwrap_or(Err(Ended::Closing(Close::Silent))),
            () = leave.notified() => Err(Ended::GivesWay),
        };
    };
    let decided = tokio::select! {
        heard = hears => return heard.unwrap_or(Err(Ended::Closing(Close::Silent))),
        decided = waiting.decided() => decided,
    };
    let join = waiting.join().clone();
    *waits = None;
    let server = socket.server.clone();
    if server.reads_only() {
        return Err(full(socket).await);
    }
    let told = match decided {
        Some(decided) => answer(decided, ServerMsg::Joined),
        None => {
            // A fault that recurs at once must not make this loop without a pause.
            sleep(SAID_AGAIN_AFTER).await;
            come_by_code(&server, join, guest, waits).await?
        }
    };
    socket.say(&told).await?;
    Ok(None)
}

/// The next text; pings postpone nothing.
async fn hear_text<S>(socket: &mut Socket<S>, largest: usize) -> Result<Option<Utf8Bytes>, Ended>
where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    loop {
        let text = socket.hear(largest).await?;
        if text.is_some() {
            return Ok(text);
        }
    }
}

async fn come_by_code(
    server: &Arc<Server>,
    join: Join,
    guest: &Guest,
    waits: &mut Option<Box<Waits>>,
) -> Result<ServerMsg, Ended> {
    Ok(match joining::join(server, join, guest).await? {
        Came::Said(msg) => msg,
        Came::Waits(new) => waits.insert(new).says(),
    })
}

fn refused(refusal: Refusal) -> ServerMsg {
    ServerMsg::Refused { command: None, refusal }
}

pub(super) fn answer<T>(
    result: Result<T, Refusal>,
    done: impl FnOnce(T) -> ServerMsg,
) -> ServerMsg {
    result.map_or_else(refused, done)
}

async fn welcome<S>(socket: &mut Socket<S>, hello: Hello, guest: &Guest) -> Result<Welcomed, Ended>
where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    if !(hello.version_min..=hello.version_max).contains(&VERSION) {
        return Err(Ended::Closing(Close::TooOld));
    }
    let wrong = Ended::Closing(Close::WrongSecret);
    let server = socket.server.clone();
    let asked = server.clock.instant();
    let opens = SecretHash::of(&hello.secret);
    let Some(Opened { held, row, by }) = known(&server, &hello, opens).await? else {
        return Err(told_late(guest, wrong).await);
    };
    let (role, you) = match held.holder {
        Holder::Coach => (Role::Coach, None),
        Holder::Board => (Role::Board, None),
        Holder::Athlete(athlete) => (Role::Athlete, Some(athlete)),
    };
    if role != hello.role || has_expired(&server, &row) {
        return Err(wrong);
    }
    // A class that waits for its session takes no places of strangers, who may want to get into another.
    socket.stranger = None;
    for _ in 0..OPENS_TRIED {
        let opened = Registry::open(&server, &row).await;
        let opened = opened.map_err(|error| fault(&error))?;
        let Some(handle) = opened else { break };
        let conn = server.next_conn();
        let (outbox, out) = Outbox::new(role, socket.line.clone(), server.clock);
        let (clock, welcomed) = oneshot::channel();
        let (holder, device, by_key) = (held.holder, hello.device, by.is_some());
        let (by, hello) = (by.clone(), hello.clone());
        let greeting = Box::new(Arrival { conn, asked, holder, opens, by, hello, outbox, clock });
        if handle.inbox.send(Event::Hello(greeting)).await.is_err() {
            continue;
        }
        let Ok(clock) = welcomed.await else {
            match out.closing() {
                // It was just going to sleep.
                Some(Close::GoingAway) => continue,
                Some(why) => return Err(Ended::Closing(why)),
                None => return Err(Ended::Closing(Close::Fault)),
            }
        };
        // A key that was ended since it was looked up: from here on the session itself is told of its end.
        if by_key && !matches!(keyed::coach(&server, opens).await, Ok(Some(_))) {
            let left = Said::Left(conn, clock.now());
            drop(handle.inbox.send(Event::Said(left)).await);
            return Err(wrong);
        }
        guest.was_welcomed();
        server.comings.told(row.session, holder, device);
        return Ok(Welcomed { conn, role, you, handle, clock, out });
    }
    Err(Ended::Closing(Close::GoingAway))
}

/// What a secret opens.
struct Opened {
    held: Held,
    row: SessionRow,
    /// The coach of the club whose key it is.
    by: Option<GivenBy>,
}

/// What this secret opens; `None` when that is nothing.
async fn known(
    server: &Arc<Server>,
    hello: &Hello,
    opens: SecretHash,
) -> Result<Option<Opened>, Ended> {
    let held = server.journal.held(opens).await;
    let Some(held) = held.map_err(|error| fault(&error))? else {
        if let (Role::Coach, Some(code)) = (hello.role, &hello.code)
            && let Some(known) = known_by_key(server, code, opens).await?
        {
            return Ok(Some(known));
        }
        let now = server.clock.unix_ms();
        let since = now.saturating_sub(ms(server.settings.limits.open_links));
        let lost = server.journal.may_have_lost(opens, since).await;
        if lost.map_err(|error| fault(&error))? {
            return Err(Ended::Closing(Close::RecordsLost));
        }
        return Ok(None);
    };
    // A valid link to a session that is not there: the session is lost.
    let row = row(server, held.session).await?.ok_or(Ended::Closing(Close::RecordsLost))?;
    Ok(Some(Opened { held, row, by: None }))
}

/// A coach of the club who comes to the session of this code by their own key; `None` when there is none, or the key opens nothing.
async fn known_by_key(
    server: &Arc<Server>,
    code: &JoinCode,
    key: SecretHash,
) -> Result<Option<Opened>, Ended> {
    let by = keyed::coach(server, key).await.map_err(|error| {
        tracing::warn!(%error, "the club cannot be asked which coach comes");
        Ended::Closing(Close::GoingAway)
    })?;
    let Some(by) = by else { return Ok(None) };
    let row = server.journal.session_of(code).await.map_err(|error| fault(&error))?;
    Ok(row.map(|row| {
        let held = Held { session: row.session, holder: Holder::Coach };
        Opened { held, row, by: Some(by) }
    }))
}

/// Whoever tries one wrong secret after another waits for the answer, and gives way in the meantime.
async fn told_late(guest: &Guest, wrong: Ended) -> Ended {
    let leave = Arc::new(Notify::new());
    let _awaited = guest.awaited(&leave);
    tokio::select! {
        biased;
        () = guest.was_wrong_secret() => wrong,
        () = leave.notified() => Ended::GivesWay,
    }
}

pub(super) fn fault(error: &JournalError) -> Ended {
    if let JournalError::Unreadable(what) = error {
        tracing::error!(
            what,
            "a session cannot be read: see `thole-server check`, and copy what is whole with `thole-server salvage`"
        );
        return Ended::Closing(Close::Unreadable);
    }
    tracing::error!(%error, "a session cannot be opened");
    Ended::Closing(Close::Fault)
}

async fn row(server: &Server, session: SessionId) -> Result<Option<SessionRow>, Ended> {
    server.journal.session(session).await.map_err(|error| fault(&error))
}

pub(crate) fn has_expired(server: &Server, row: &SessionRow) -> bool {
    let limits = &server.settings.limits;
    let (from, lives) = match row.closed_unix_ms {
        Some(closed) => (closed, limits.links),
        None => (row.created_unix_ms, limits.open_links),
    };
    from.saturating_add(ms(lives)) < server.clock.unix_ms()
}

fn ms(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

async fn created(
    server: &Arc<Server>,
    create: Create,
    guest: &Guest,
) -> Result<Result<Created, Refusal>, Ended> {
    let by = match keyed::maker(server, &create).await {
        Ok(by) => by,
        Err(refusal) => {
            if create.key.is_some() && refusal.why == Why::NotYours {
                guest.was_wrong();
            }
            return Ok(Err(refusal));
        }
    };
    let title = core_limits::check_title(&create.title);
    if let Err(refusal) = title.and_then(|()| name::check(&create.title)) {
        return Ok(Err(refusal));
    }
    if create.settings.grace_ms > core_limits::GRACE_MAX {
        return Ok(Err(refusal(Why::OutOfRange, "The grace period of a call is at most 5 s.")));
    }
    if !guest.may_create() {
        let says = "Too many sessions were made from this network; try again in a minute.";
        return Ok(Err(refusal(Why::Limit, says)));
    }
    if let Err(says) = server.may_create() {
        return Ok(Err(refusal(Why::Limit, says)));
    }
    let session = SessionId(Uuid::now_v7());
    let code = free_code(server).await?;
    let (coach, board) = (new_secret(), new_secret());
    let append = Append {
        session,
        create: Some(SessionRow {
            session,
            code: code.clone(),
            created_unix_ms: server.clock.unix_ms(),
            closed_unix_ms: None,
        }),
        tenure: 0,
        first: 0,
        records: Arc::new(vec![
            created_record(create.title, create.settings, by.clone()),
            Record { at: At(0), input: Input::NamesBySight },
            Record { at: At(0), input: server.forecasts.input() },
        ]),
        revoke: Vec::new(),
        grant: vec![
            Grant { hash: coach.hash(), holder: Holder::Coach },
            Grant { hash: board.hash(), holder: Holder::Board },
        ],
        closed_unix_ms: None,
        reckoned: Some(SessionClock::begin(server.clock).reckoned()),
    };
    if let Err(error) = server.journal.append(append).await {
        if matches!(error, JournalError::Unreadable(_)) {
            return Err(fault(&error));
        }
        server.failing(&error);
        let why = if error.is_full() { Close::TooSlow } else { Close::Fault };
        return Err(Ended::Closing(why));
    }
    tracing::info!(%session, "session made");
    let (coach_secret, board_secret) = (coach.reveal(), board.reveal());
    // The head coach's link is no coach's: whoever has it goes on with the session's own link, which other devices of theirs can
    // be given.
    let by = by.filter(|by| !by.coach.0.is_nil());
    Ok(Ok(Created { session, code, coach_secret, board_secret, by }))
}

/// A code that no open session has.
async fn free_code(server: &Server) -> Result<JoinCode, Ended> {
    for _ in 0..CODES_TRIED {
        let code = random_code(server.settings.code_syllables);
        let used = server.journal.session_of(&code).await;
        let used = used.map_err(|error| fault(&error))?;
        if used.is_none_or(|row| has_expired(server, &row)) {
            return Ok(code);
        }
    }
    tracing::error!("every code that was drawn is in use: too many sessions are open");
    Err(Ended::Closing(Close::TooSlow))
}

fn created_record(title: String, settings: SessionSettings, by: Option<GivenBy>) -> Record {
    Record { at: At(0), input: Input::Created { title, settings, by } }
}
