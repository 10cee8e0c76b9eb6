//! Links against a server that is scripted line by line: what is lost, what is said again, and what
//! is not.
#![expect(clippy::unwrap_used, reason = "a script that goes wrong is to stop the test")]

use std::time::Duration;

use futures_util::{SinkExt, StreamExt};
use thole::{
    athlete::{Athlete, AthleteConfig, AthleteNews},
    coach::{self, Coach},
    kept::Resumed,
    link::{Link, LinkConfig, LinkNews},
    own_aim::OwnAim,
    socket::Dial,
};
use thole_protocol::{
    ClientMsg, ServerMsg,
    client_msg::{Hello, Role},
    event::{Event, Happening},
    ids::{CommandId, EventNo, RunId},
    sample::{Durable, Sample},
    server_msg::{Ack, ClockAnswer, TablePart, Welcome},
    standing::Phase,
    units::At,
};
use tokio::{
    io::DuplexStream,
    sync::mpsc,
    time::{Instant, timeout},
};
use tokio_tungstenite::{
    WebSocketStream, accept_async,
    tungstenite::{Message, protocol::CloseFrame},
};

/// The server's end of one connection.
struct Server(WebSocketStream<DuplexStream>);

impl Server {
    async fn say(&mut self, msg: &ServerMsg) {
        self.0.send(Message::text(serde_json::to_string(msg).unwrap())).await.unwrap();
    }

    /// The next message that is neither a question to the clock nor a heartbeat.
    async fn hear(&mut self) -> ClientMsg {
        loop {
            let msg = self.hear_all().await.expect("a connection");
            if !matches!(msg, ClientMsg::Clock(_) | ClientMsg::Heartbeat) {
                return msg;
            }
        }
    }

    /// The next message; a question to the clock is answered. `None` when the client is gone.
    async fn hear_all(&mut self) -> Option<ClientMsg> {
        let Some(Ok(Message::Text(text))) = self.0.next().await else { return None };
        let msg = ClientMsg::read(&text).unwrap().0;
        if let ClientMsg::Clock(question) = msg {
            let at = 90_000_000 + question.client_sent_us;
            self.say(&ServerMsg::Clock(ClockAnswer {
                client_sent_us: question.client_sent_us,
                server_heard_us: at,
                server_sent_us: at,
            }))
            .await;
        }
        Some(msg)
    }

    async fn close(mut self, code: u16) {
        let frame = CloseFrame { code: code.into(), reason: "because".into() };
        self.0.close(Some(frame)).await.unwrap();
        // Waits for the client's half, as a server does.
        while let Some(Ok(_)) = self.0.next().await {}
    }
}

/// Where a scripted server takes connections.
struct Door(mpsc::Receiver<DuplexStream>);

impl Door {
    fn open() -> (Dial, Door) {
        let (dial, door) = mpsc::channel(4);
        (Dial::Inside(dial), Door(door))
    }

    /// The next connection and its `hello`, which is answered.
    async fn welcome(&mut self, durable: Option<Durable>) -> (Server, Hello) {
        self.welcome_with(durable, 0).await
    }

    /// From a server whose journal has lost this many events.
    async fn welcome_with(&mut self, durable: Option<Durable>, lost: u64) -> (Server, Hello) {
        let bytes = timeout(Duration::from_secs(60), self.0.recv()).await.expect("it comes back");
        let mut server = Server(accept_async(bytes.unwrap()).await.unwrap());
        let ClientMsg::Hello(hello) = server.hear().await else { panic!("hello comes first") };
        let last_event = EventNo(hello.last_event.0 - lost);
        let welcome = Welcome { durable, last_event, ..welcome() };
        server.say(&ServerMsg::Welcome(Box::new(welcome))).await;
        (server, hello)
    }
}

fn welcome() -> Welcome {
    let text = include_str!("../../protocol/examples/server/welcome.json");
    let ServerMsg::Welcome(welcome) = serde_json::from_str(text).unwrap() else {
        panic!("welcome")
    };
    let mut athletes = welcome.athletes.clone();
    athletes.iter_mut().for_each(|view| view.heart_rate = false);
    Welcome { at_ms: At(90_000), speed: 1, athletes, ..*welcome }
}

fn event(number: u64) -> Event {
    Event { event: EventNo(number), at_ms: At(90_000), late: false, what: Happening::SessionClosed }
}

fn events(numbers: &[u64]) -> ServerMsg {
    ServerMsg::Events { events: numbers.iter().map(|n| event(*n)).collect() }
}

fn link(dial: Dial) -> Link {
    Link::open(link_config(dial))
}

fn link_config(dial: Dial) -> LinkConfig {
    LinkConfig {
        dial,
        role: Role::Board,
        secret: "sesame".into(),
        code: None,
        run: None,
        device: None,
        take_seat: false,
        speed: 1,
        seed: 5,
    }
}

/// The numbers of the next events that are told.
async fn told_events(link: &mut Link) -> Vec<u64> {
    loop {
        if let LinkNews::Said(ServerMsg::Events { events }) = link.next().await.unwrap() {
            return events.iter().map(|event| event.event.0).collect();
        }
    }
}

async fn told_lost(link: &mut Link) -> String {
    loop {
        let news = link.next().await.unwrap();
        assert!(!matches!(news, LinkNews::Ended(_)), "{news:?}");
        if let LinkNews::Lost { says, .. } = news {
            return says;
        }
    }
}

#[tokio::test(start_paused = true)]
async fn after_a_loss_it_names_the_last_event_and_tells_none_twice() {
    let (dial, mut door) = Door::open();
    let mut link = link(dial);
    let (mut server, hello) = door.welcome(None).await;
    assert_eq!(hello.last_event, EventNo(0));
    server.say(&events(&[3, 4])).await;
    assert_eq!(told_events(&mut link).await, [3, 4]);
    drop(server);
    told_lost(&mut link).await;
    let (mut server, hello) = door.welcome(None).await;
    assert_eq!(hello.last_event, EventNo(4));
    server.say(&events(&[4, 5])).await;
    assert_eq!(told_events(&mut link).await, [5]);
    drop(server);
    told_lost(&mut link).await;
    // A damaged journal has lost two of them: their numbers are given to what comes.
    let (mut server, hello) = door.welcome_with(None, 2).await;
    assert_eq!((hello.last_event, hello.unacked_seq), (EventNo(5), None));
    server.say(&events(&[4])).await;
    assert_eq!(told_events(&mut link).await, [4]);
}

/// Otherwise a server that dies again before the strokes are back would take its journal to be whole.
#[tokio::test(start_paused = true)]
async fn what_was_acknowledged_and_is_lost_is_named_until_it_is_there_again() {
    let (dial, mut door) = Door::open();
    let run = RunId(uuid::Uuid::from_u128(7));
    let config = LinkConfig { role: Role::Athlete, run: Some(run), ..link_config(dial) };
    let mut link = Link::open(config);
    let durable = |through_seq| Durable { run, through_seq, beyond: vec![] };
    let mut named = Vec::new();
    for through_seq in [9, 4, 4, 12, 12] {
        let (server, hello) = door.welcome(Some(durable(through_seq))).await;
        named.push(hello.unacked_seq);
        drop(server);
        told_lost(&mut link).await;
    }
    assert_eq!(named, [1, 10, 10, 10, 13].map(Some));
}

#[tokio::test(start_paused = true)]
async fn six_seconds_of_silence_are_a_lost_connection() {
    let (dial, mut door) = Door::open();
    let mut link = link(dial);
    let (server, _) = door.welcome(None).await;
    let began = Instant::now();
    let says = told_lost(&mut link).await;
    assert!(says.contains("Nothing was heard"), "{says}");
    assert_eq!(began.elapsed().as_secs(), 6);
    drop(server);
    door.welcome(None).await;
}

#[tokio::test(start_paused = true)]
async fn a_heartbeat_goes_out_each_second_in_which_nothing_else_did() {
    let (dial, mut door) = Door::open();
    let _link = link(dial);
    let (mut server, _) = door.welcome(None).await;
    let (mut questions, mut beats) = (0, 0);
    let ten_seconds = timeout(Duration::from_millis(10_600), async {
        while let Some(msg) = server.hear_all().await {
            questions += u32::from(matches!(msg, ClientMsg::Clock(_)));
            beats += u32::from(msg == ClientMsg::Heartbeat);
            server.say(&ServerMsg::Heartbeat { at_ms: At(0) }).await;
        }
    });
    assert!(ten_seconds.await.is_err(), "the connection held");
    // Eight questions within half a second, then the next after 15 s.
    assert_eq!((questions, beats), (8, 10));
}

#[tokio::test(start_paused = true)]
async fn close_codes_are_obeyed() {
    for code in [4500, 4501, 4502, 4503, 1008] {
        let (dial, mut door) = Door::open();
        let mut link = link(dial);
        let (server, _) = door.welcome(None).await;
        server.close(code).await;
        loop {
            let news = link.next().await.unwrap();
            assert!(!matches!(news, LinkNews::Lost { .. }), "{code} means stop");
            if let LinkNews::Ended(ended) = news {
                assert_eq!((ended.code, ended.says.as_str()), (Some(code), "because"));
                break;
            }
        }
        assert!(link.next().await.is_none());
    }
    for code in [1001, 1011, 1012, 1013, 4000, 4001] {
        let (dial, mut door) = Door::open();
        let mut link = link(dial);
        let (server, _) = door.welcome(None).await;
        server.close(code).await;
        told_lost(&mut link).await;
        door.welcome(None).await;
    }
}

#[tokio::test(start_paused = true)]
async fn what_was_said_for_an_older_connection_is_not_sent_on_the_new_one() {
    let (dial, mut door) = Door::open();
    let mut link = link(dial);
    let (server, _) = door.welcome(None).await;
    drop(server);
    told_lost(&mut link).await;
    let (mut server, _) = door.welcome(None).await;
    link.say(1, ClientMsg::StopRowing { command: None }).unwrap();
    link.say(2, ClientMsg::RowOn { command: None }).unwrap();
    assert_eq!(server.hear().await, ClientMsg::RowOn { command: None });
}

fn athlete(dial: Dial) -> Athlete {
    Athlete::open(config(dial))
}

fn config(dial: Dial) -> AthleteConfig {
    AthleteConfig {
        dial,
        secret: "sesame".into(),
        take_seat: false,
        speed: 1,
        cautions_read: true,
        machine: None,
        share_heart_rate: false,
        aim: OwnAim::default(),
        today: None,
        seed: 6,
    }
}

fn sample(heard_ms: i64) -> Sample {
    Sample { heard_ms, ..Sample::default() }
}

/// The numbers of the next samples that are sent.
async fn sent(server: &mut Server) -> (RunId, Vec<u32>) {
    loop {
        if let ClientMsg::Samples(samples) = server.hear().await {
            return (samples.run, samples.samples.iter().map(|s| s.seq).collect());
        }
    }
}

fn ack(run: RunId, through_seq: u32) -> ServerMsg {
    let durable = Durable { run, through_seq, beyond: vec![] };
    ServerMsg::Ack(Ack { durable, refused: vec![], own: None, events: vec![] })
}

/// Rows on until something of this kind is told.
async fn told<T>(athlete: &mut Athlete, wanted: impl Fn(&AthleteNews) -> Option<T>) -> T {
    loop {
        let told = athlete.next().await.expect("the link holds");
        if let Some(found) = wanted(&told) {
            return found;
        }
    }
}

/// One athlete's evening with a lost connection, told by the server.
#[tokio::test(start_paused = true)]
async fn a_lost_connection_costs_no_sample_and_what_is_durable_is_not_sent_again() {
    let began = Instant::now();
    let (dial, mut door) = Door::open();
    let mut athlete = athlete(dial);
    for second in 1..=3 {
        athlete.record(sample(80_000 + second * 1_000));
    }
    let rowing = tokio::spawn(async move {
        let lost = |told: &AthleteNews| matches!(told, AthleteNews::Lost { .. }).then_some(());
        told(&mut athlete, lost).await;
        // Rowed while away; the last one is heard later than the session's clock shows.
        for heard in [85_000, 86_000, 91_500] {
            athlete.record(sample(heard));
        }
        let resumed = told(&mut athlete, |told| {
            if let AthleteNews::Welcome(_, resumed) = told { Some(*resumed) } else { None }
        })
        .await;
        while athlete.pending() > 0 {
            // Wakes each second to look at what is pending.
            drop(timeout(Duration::from_secs(1), athlete.next()).await);
        }
        resumed
    });
    let (mut server, hello) = door.welcome(None).await;
    let run = hello.run.expect("an athlete names the recording");
    assert_eq!(sent(&mut server).await, (run, vec![1, 2, 3]));
    // Two of them became durable, and word of that was lost with the connection.
    drop(server);
    let durable = Some(Durable { run, through_seq: 2, beyond: vec![] });
    let (mut server, hello) = door.welcome(durable).await;
    assert_eq!(hello.run, Some(run), "the same recording");
    assert_eq!(sent(&mut server).await.1, [3, 4, 5]);
    server.say(&ack(run, 5)).await;
    assert_eq!(sent(&mut server).await.1, [6]);
    // The scripted session was at 90 s when this began; the sample is heard at 91.5 s.
    assert!(began.elapsed() >= Duration::from_millis(1_500), "not before its instant has come");
    assert!(began.elapsed() < Duration::from_millis(1_600), "and then at once");
    server.say(&ack(run, 6)).await;
    assert_eq!(rowing.await.unwrap(), Resumed::GoesOn { behind: 4 });
}

/// The next of these that is said; anything else said in the meantime does not matter here.
async fn asked(server: &mut Server) -> ClientMsg {
    loop {
        let msg = server.hear_all().await.expect("a connection");
        if matches!(msg, ClientMsg::Ready(_) | ClientMsg::Consent(_) | ClientMsg::StopRowing { .. })
        {
            return msg;
        }
    }
}

fn named(msg: &ClientMsg) -> Option<CommandId> {
    if let ClientMsg::Consent(consent) = msg {
        return consent.command;
    }
    if let ClientMsg::StopRowing { command } = msg { *command } else { None }
}

/// Nothing is answered: each connection drops right after what was said on it.
#[tokio::test(start_paused = true)]
async fn what_has_no_answer_is_said_again_until_another_try_begins() {
    let (dial, mut door) = Door::open();
    let mut athlete = Athlete::open(AthleteConfig { share_heart_rate: true, ..config(dial) });
    athlete.stop_rowing();
    tokio::spawn(async move { while athlete.next().await.is_some() {} });
    let (mut server, _) = door.welcome(None).await;
    let first = [asked(&mut server).await, asked(&mut server).await];
    assert!(matches!(first, [ClientMsg::StopRowing { .. }, ClientMsg::Consent(_)]), "{first:?}");
    assert!(first.iter().all(|msg| named(msg).is_some()), "{first:?}");
    let ClientMsg::Ready(ready) = asked(&mut server).await else { panic!("ready, by the clock") };
    drop(server);

    let (mut server, _) = door.welcome(None).await;
    let mut again = Vec::new();
    while again.len() < 3 {
        again.push(asked(&mut server).await);
    }
    let stops: Vec<_> = again.iter().filter(|msg| **msg == first[0]).collect();
    assert_eq!(stops.len(), 1, "{again:?}");
    assert!(again.contains(&ClientMsg::Ready(ready)), "{again:?}");
    assert!(again.iter().any(|msg| matches!(msg, ClientMsg::Consent(_))), "{again:?}");
    // Everybody was called back, and another countdown runs: nobody has stopped in that.
    let counting = Phase::Counting { go_at_ms: At(95_000) };
    server.say(&counts(counting)).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    drop(server);
    let (mut server, _) = door.welcome(None).await;
    let last = timeout(Duration::from_secs(3), async {
        loop {
            if let stop @ ClientMsg::StopRowing { .. } = asked(&mut server).await {
                return stop;
            }
        }
    });
    assert!(last.await.is_err(), "it has not stopped in this try");
}

fn counts(phase: Phase) -> ServerMsg {
    let what = Happening::PhaseChanged { piece: welcome().current, phase };
    ServerMsg::Events {
        events: vec![Event { event: EventNo(9), at_ms: At(91_000), late: false, what }],
    }
}

/// The table of results comes in parts; if one began on a lost connection, nothing of it is told.
#[tokio::test(start_paused = true)]
async fn a_table_is_told_when_it_is_whole_and_from_its_beginning_after_a_loss() {
    let (dial, mut door) = Door::open();
    let mut coach = Coach::open(dial, "sesame".into(), None, 7);
    let asked = coach.results_table(None);
    let part =
        |csv: &str| ServerMsg::ResultsTable(TablePart { command: asked, csv: csv.to_owned() });
    let script = async {
        let (mut server, _) = door.welcome(None).await;
        assert!(matches!(server.hear().await, ClientMsg::ResultsTable(_)));
        server.say(&part("row,na")).await;
        server.close(1012).await;
        let (mut server, _) = door.welcome(None).await;
        let ClientMsg::ResultsTable(again) = server.hear().await else { panic!("asked again") };
        assert_eq!(again.command, asked);
        for csv in ["row,na", "me\r\n"] {
            server.say(&part(csv)).await;
        }
        server.say(&ServerMsg::Done { command: asked }).await;
        server
    };
    let told = async {
        loop {
            let told = coach.next().await.unwrap();
            assert!(!matches!(told, coach::CoachNews::Done(_)), "done before the table is told");
            if let coach::CoachNews::ResultsTable(command, table) = told {
                return (command, table);
            }
        }
    };
    let (_server, table) = tokio::join!(script, told);
    assert_eq!(table, (asked, "row,name\r\n".to_owned()));
}
