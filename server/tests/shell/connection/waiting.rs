//! Many sessions are opened at once, as after a restart: how many, who waits, and what somebody who waits long
//! is told.

use std::sync::{
    Arc,
    atomic::{AtomicUsize, Ordering},
    mpsc::SyncSender,
};

use futures_util::FutureExt;
use thole_protocol::{
    ids::{AthleteId, JoinCode, SessionId},
    units::At,
};
use thole_server::{
    clock::Reckoned,
    journal::{Answer, Append, Found, Held, Journal, LetGo, Passing, SessionRow, Since, Slice},
    secret::SecretHash,
};
use tokio::{sync::Semaphore, task::yield_now, time::advance};

use super::*;

/// A journal in memory from which as many sessions are read as a test allows.
struct Slow {
    inner: MemoryJournal,
    begun: AtomicUsize,
    may_end: Arc<Semaphore>,
}

impl Journal for Slow {
    fn read_in_slices(&self, session: SessionId, taken: SyncSender<Slice>) -> Answer<Found> {
        self.begun.fetch_add(1, Ordering::SeqCst);
        let (may_end, read) = (self.may_end.clone(), self.inner.read_in_slices(session, taken));
        Box::pin(async move {
            may_end.acquire().await.unwrap().forget();
            read.await
        })
    }

    fn take(&self, session: SessionId) -> Answer<u64> {
        self.inner.take(session)
    }

    fn append(&self, append: Append) -> Answer<u64> {
        self.inner.append(append)
    }

    fn read(&self, session: SessionId, from: u64) -> Answer<Found> {
        self.inner.read(session, from)
    }

    fn since(&self, session: SessionId, from: u64) -> Answer<Since> {
        self.inner.since(session, from)
    }

    fn erase(&self, session: SessionId, athlete: AthleteId) -> Answer<()> {
        self.inner.erase(session, athlete)
    }

    fn let_go(&self, what: LetGo) -> Answer<u64> {
        self.inner.let_go(what)
    }

    fn overwrite(&self) -> Answer<bool> {
        self.inner.overwrite()
    }

    fn newest(&self, session: SessionId, what: Passing) -> Answer<Option<At>> {
        self.inner.newest(session, what)
    }

    fn set_aside(&self, session: SessionId, position: u64) -> Answer<()> {
        self.inner.set_aside(session, position)
    }

    fn session(&self, session: SessionId) -> Answer<Option<SessionRow>> {
        self.inner.session(session)
    }

    fn session_of(&self, code: &JoinCode) -> Answer<Option<SessionRow>> {
        self.inner.session_of(code)
    }

    fn reckoned(&self, session: SessionId) -> Answer<Option<Reckoned>> {
        self.inner.reckoned(session)
    }

    fn sessions(&self) -> Answer<Vec<SessionRow>> {
        self.inner.sessions()
    }

    fn keep(&self, name: &'static str, note: String) -> Answer<()> {
        self.inner.keep(name, note)
    }

    fn kept(&self, name: &'static str) -> Answer<Option<String>> {
        self.inner.kept(name)
    }

    fn held(&self, hash: SecretHash) -> Answer<Option<Held>> {
        self.inner.held(hash)
    }

    fn epoch(&self) -> String {
        self.inner.epoch()
    }
}

impl Slow {
    /// Whether exactly this many have begun to be read, however long everything else goes on.
    async fn has_begun(&self, many: usize) -> bool {
        for _ in 0..100_000 {
            if self.begun.load(Ordering::SeqCst) >= many {
                break;
            }
            yield_now().await;
        }
        settled().await;
        self.begun.load(Ordering::SeqCst) == many
    }
}

/// Everything that can go on without the clock has gone on.
async fn settled() {
    for _ in 0..200 {
        yield_now().await;
    }
}

/// The clock stands still unless it is moved: sessions being read hold threads, and the runtime waits for these.
#[tokio::test(start_paused = true)]
async fn four_sessions_are_opened_at_once_the_fifth_waits_and_who_waits_long_is_told() {
    let may_end = Arc::new(Semaphore::new(0));
    let (inner, begun) = (MemoryJournal::default(), AtomicUsize::new(0));
    let journal = Arc::new(Slow { inner, begun, may_end: may_end.clone() });
    let gym = Gym::on(journal.clone()).await;
    let mut secrets = vec![gym.created["coach_secret"].clone()];
    for _ in 0..5 {
        secrets.push(gym.another().await["coach_secret"].clone());
    }
    let mut coaches = Vec::new();
    for secret in &secrets {
        coaches.push(gym.enter("coach", secret).await);
    }
    assert!(
        journal.has_begun(4).await,
        "{} are read at once",
        journal.begun.load(Ordering::SeqCst)
    );

    // One is read to its end: its coach is let in, and the fifth gets its turn.
    let began = gym.server.clock.instant();
    may_end.add_permits(1);
    assert!(journal.has_begun(5).await, "{} have been read", journal.begun.load(Ordering::SeqCst));
    let mut waiting: Vec<_> = coaches.into_iter().zip(secrets).collect();
    for _ in 0..99 {
        // The first welcome of a session waits a moment for others, whose clocks know how late it is.
        advance(Duration::from_millis(100)).await;
        settled().await;
        waiting.retain_mut(|(coach, _)| match coach.ws.next().now_or_never() {
            None => true,
            Some(heard) => {
                let heard = heard.unwrap().unwrap();
                assert!(heard.is_text(), "somebody is sent away: {heard:?}");
                false
            }
        });
    }
    assert_eq!(gym.server.clock.instant() - began, Duration::from_millis(9_900));
    assert_eq!(
        waiting.len(),
        5,
        "one is welcome, the others hear nothing before ten seconds have passed"
    );
    advance(Duration::from_millis(200)).await;
    settled().await;
    for (coach, _) in &mut waiting {
        let told = coach.is_closed().now_or_never();
        assert_eq!(told, Some(Close::GoingAway.code()), "who waits longer is told");
    }

    // All are opened to the end, though nobody waits: whoever comes back is let in at once.
    may_end.add_permits(5);
    assert!(journal.has_begun(6).await, "each is read once");
    for (_, secret) in &waiting {
        gym.enter("coach", secret).await.hears("welcome").await;
    }
    assert!(journal.has_begun(6).await, "none is read again");
}
