//! Packing and splitting, over any values there can be.

use proptest::{collection::vec, option, prelude::*};
use serde_json::json;
use thole_piece::projection::Count;
use thole_protocol::sample::{Reading, Sample};

use super::*;

fn id(no: u128) -> AthleteId {
    AthleteId(Uuid::from_u128(0x0192_0000_0000_7000_8000_0000_0000_0000 + no))
}

fn numbers() -> Numbers {
    let mut numbers = Numbers::default();
    (1..=3).for_each(|no| numbers.know(no, id(u128::from(no))));
    numbers.know_run(7, RunId(Uuid::from_u128(70)));
    numbers
}

fn back(at: u64, input: &Input) -> Vec<Row> {
    let split = split(at, input, &numbers()).unwrap();
    assert_eq!(split.len() as u64, rows(input), "{input:?}");
    let (head, parts) = split.split_first().unwrap();
    assert_eq!(join(at, head, parts, &numbers()).unwrap(), *input);
    split
}

/// One of every kind, as JSON; with the names `Ana` and `Bo` wherever a person can be named.
fn examples() -> Vec<Input> {
    let (ana, bo) = (id(1), id(2));
    let command = Uuid::from_u128(5);
    let ordered = |order: Value| json!({"input": "ordered", "command": command, "order": order});
    let aim = json!({"target": {"want": "finish", "finish_ms": 4_000_000}, "history": []});
    let entry = |name: &str| json!({"spec": {"name": name, "team": "Blue"}, "aims": [aim]});
    let picked = json!({"whom": "picked", "athletes": [ana, bo]});
    let text = json!({"shown": "Ana, Bo", "spoken": "~Ana and Bo: longer."});
    let span = json!({"until": "next"});
    let settings = json!({"ranking": "share", "team_best": 0, "grace_ms": 2_000});
    let sheet = json!([
        {"at": {"point": "stroke", "number": 5}, "text": text, "audience": picked, "span": span},
        {"at": {"point": "stroke", "number": 6}, "text": {"shown": "All"}, "audience": {"whom": "picked", "athletes": []}, "span": span},
        {"at": {"point": "stroke", "number": 7}, "text": {"shown": "~7"}, "audience": {"whom": "team", "team": "~3"}, "span": span},
    ]);
    let work = json!({"work": {"by": "distance", "distance_dm": 17_000}});
    let call = json!({"call": command, "text": text, "audience": picked, "span": span});
    let settled = json!({
        "piece": 0, "revision": 1, "cause": {"because": "over"},
        "spec": {"title": "~One", "repeats": [work], "call_sheet": []}, "settings": settings,
        "starts_at_ms": [9_000], "phases": [{"at_ms": 4_000, "phase": "counting", "go_at_ms": 9_000}],
        "first_home_at_ms": null, "teams": [], "calls": [], "lines": null,
        "seats": [{"seat": 0, "team": null, "outcome": "stopped", "place": null, "time_ms": 60_000,
            "distance_dm": 2_000, "sure_ms": null, "sure_dm": null, "shown": null, "aim": null,
            "plan": {"profile": "even"}, "target": null, "margin": null, "splits": [], "strokes": null,
            "marks": [], "home_at_ms": null}],
    });
    let mut all = vec![
        json!({"input": "created", "title": "~Tuesday", "settings": settings}),
        json!({"input": "athletes_added", "command": command, "athletes": [[ana, entry("Ana")], [bo, entry("Bo")]]}),
        json!({"input": "joined", "athlete": ana, "name": "Ana"}),
        json!({"input": "came_by_key", "athlete": ana, "person": Uuid::from_u128(77)}),
        json!({"input": "at_hall", "athlete": ana, "device": Uuid::from_u128(78)}),
        json!({"input": "heard", "athlete": ana}),
        json!({"input": "not_heard", "athlete": bo, "since": 4}),
        json!({"input": "reopened"}),
        json!({"input": "samples", "athlete": ana, "run": Uuid::from_u128(70), "samples": [{"seq": 1, "heard_ms": 2, "distance_dm": 3}]}),
        json!({"input": "skipped", "athlete": ana, "run": Uuid::from_u128(70), "from_seq": 1, "to_seq": 2}),
        json!({"input": "heart_rate", "athlete": ana, "readings": [{"heard_ms": 2, "heart_bpm": 151}]}),
        json!({"input": "consent", "athlete": ana, "heart_rate": true, "wording": 1}),
        json!({"input": "strokes_let_go"}),
        json!({"input": "ready", "athlete": ana, "cautions_read": true, "machine": "Ana's", "clock_bound_ms": 5, "on_board": "short"}),
        json!({"input": "ready", "athlete": ana, "cautions_read": true, "machine": null, "clock_bound_ms": null, "on_board": null, "today": "not_today"}),
        json!({"input": "aimed", "athlete": ana, "piece": 0, "aim": aim}),
        json!({"input": "stop_rowing", "athlete": ana}),
        json!({"input": "row_on", "athlete": ana}),
        json!({"input": "took_command", "device": command}),
        json!({"input": "deadline"}),
        json!({"input": "let_in", "command": command, "athlete": ana, "name": "Ana", "join": "a hash"}),
        json!({"input": "renewed", "command": command, "whose": {"whose": "coach", "opens": "a hash", "device": command}}),
        json!({"input": "renewed", "command": command, "whose": {"whose": "board"}}),
        json!({"input": "renewed", "command": command, "whose": {"whose": "athlete", "athlete": ana}}),
        json!({"input": "coach_link_used"}),
        json!({"input": "second_device", "athlete": ana}),
        json!({"input": "names_by_sight"}),
        json!({"input": "clock_set", "by_ms": -3_600_000, "devices": 3}),
        json!({"input": "clock_set", "by_ms": null, "devices": 1}),
        json!({"input": "settled", "settled": settled}),
        json!({"input": "damaged", "from": 3, "to": 4, "since_ms": 7, "until_ms": 9, "whose": [ana], "only_strokes": true}),
        json!({"input": "acknowledged", "athlete": ana, "run": Uuid::from_u128(70), "through_seq": 9}),
        ordered(json!({"do": "settings", "settings": settings})),
        ordered(json!({"do": "change_athlete", "athlete": ana, "spec": {"name": "Ana"}})),
        ordered(json!({"do": "remove_athlete", "athlete": bo})),
        ordered(json!({"do": "aim", "athlete": ana, "piece": 1, "aim": aim})),
        ordered(json!({"do": "make_official", "piece": 0})),
        ordered(json!({"do": "reopen", "piece": 0, "reason": "strokes came"})),
        ordered(json!({"do": "correct_result", "piece": 0, "athlete": ana,
            "finish": {"want": "finish", "finish_ms": 4_000_000}, "reason": "Ana's screen"})),
        ordered(
            json!({"do": "correct_target", "piece": 0, "athlete": ana, "target": null, "reason": "Ana's guess"}),
        ),
        ordered(json!({"do": "exclude", "piece": 0, "athlete": bo, "reason": "Bo's machine"})),
        ordered(json!({"do": "unrank", "piece": 0, "athlete": bo, "reason": "for Bo"})),
        ordered(json!({"do": "undo", "ruling": command})),
        ordered(
            json!({"do": "set_pieces", "pieces": [{"title": "One", "repeats": [work], "call_sheet": sheet}]}),
        ),
        ordered(json!({"do": "prepare_calls", "calls": [{"shown": "~~Tall"}]})),
        ordered(json!({"do": "call", "call": call})),
        ordered(json!({"do": "take_back", "call": command})),
    ];
    let plain = [
        "arm",
        "disarm",
        "start",
        "false_start",
        "next_repeat",
        "stop",
        "close",
        "next_piece",
        "close_session",
    ];
    all.extend(plain.iter().map(|order| ordered(json!({"do": order}))));
    // What a model is made of does not matter here.
    let layer = json!({"weights": [1, -2], "biases": [3]});
    let before = json!({"past_holds": 1, "with_past": [2, 3], "with_target": [4, 5, 6]});
    let model = json!({"format": 3, "name": "~Club", "mean": [0], "deviation": [1],
        "layers": [layer, layer, layer], "widening": [7], "before": before});
    all.push(json!({"input": "projecting", "model": model, "aim_ppm": 200_000, "so_far": Count::default()}));
    all.into_iter().map(|input| serde_json::from_value(input).unwrap()).collect()
}

#[test]
fn every_input_comes_back_and_its_kind_has_the_number_that_it_has_for_good() {
    let mut kinds = std::collections::BTreeSet::new();
    for input in examples() {
        let rows = back(40_000, &input);
        let kind = rows.first().unwrap().kind;
        let name = KINDS.iter().find(|(number, _)| *number == kind).unwrap().1;
        assert_eq!(name, input.kind());
        kinds.insert(kind);
    }
    assert_eq!(kinds.len(), KINDS.len(), "a kind without an example: {kinds:?}");
    let pinned = "samples 1, heart_rate 2, created 3, projecting 4, athletes_added 5, joined 6, heard 7, \
                  not_heard 8, reopened 9, skipped 10, consent 11, ready 12, aimed 13, stop_rowing 14, row_on 15, \
                  took_command 16, ordered 17, deadline 18, let_in 19, renewed 20, coach_link_used 21, second_device 22, names_by_sight 23, settled 24, \
                  damaged 25, clock_set 26, acknowledged 27, strokes_let_go 28, came_by_key 29, at_hall 30";
    assert!(
        KINDS
            .iter()
            .map(|(no, name)| format!("{name} {no}"))
            .collect::<Vec<_>>()
            .join(", ")
            .starts_with(pinned)
    );
    assert_eq!((PART, UNREAD), (120, 127));
}

/// What a session keeps when everybody in it was erased.
#[test]
fn no_name_and_no_identity_of_an_athlete_stands_in_a_row_of_the_session() {
    let words = [
        id(1).to_string(),
        id(2).to_string(),
        "Ana".to_owned(),
        "Bo".to_owned(),
        "4000000".to_owned(),
    ];
    let mut parts = 0;
    for input in examples() {
        for row in back(40_000, &input) {
            if row.person.is_some() {
                parts += 1;
                continue;
            }
            let text = String::from_utf8_lossy(&row.payload).into_owned();
            for word in &words {
                assert!(!text.contains(word.as_str()), "{word} stands in {text}");
            }
        }
    }
    assert!(parts > 15);
}

#[test]
fn the_words_of_a_call_to_many_are_written_once() {
    let athletes: Vec<AthleteId> = (0..900).map(|no| id(1 + no % 3)).collect();
    let long = "x".repeat(100_000);
    let call = json!({"call": Uuid::from_u128(5), "text": {"shown": long}, "audience": {"whom": "picked", "athletes": athletes}, "span": {"until": "next"}});
    let order = json!({"input": "ordered", "command": Uuid::from_u128(5), "order": {"do": "call", "call": call}});
    let input: Input = serde_json::from_value(order).unwrap();
    let bytes: usize = back(0, &input).iter().map(|row| row.payload.len()).sum();
    assert!(bytes < 101_000, "{bytes} bytes");
}

fn any_number() -> impl Strategy<Value = i64> {
    prop_oneof![any::<i64>(), -3_i64..5_000, Just(i64::MIN), Just(i64::MAX)]
}

fn any_sample() -> impl Strategy<Value = Sample> {
    let told = || option::of(any_number());
    let parts = (any::<u32>(), any_number(), any_number(), told(), told(), told(), told());
    parts.prop_map(|(seq, heard_ms, distance_dm, elapsed_ms, strokes, rate_half_spm, power_w)| {
        Sample { seq, heard_ms, distance_dm, elapsed_ms, strokes, rate_half_spm, power_w }
    })
}

proptest! {
    #[test]
    fn whatever_the_wire_can_carry_comes_back(
        at in any::<u64>(),
        samples in vec(any_sample(), 0..6),
        beats in vec((any_number(), any_number()), 0..6),
    ) {
        back(at, &Input::Samples { athlete: id(1), run: RunId(Uuid::from_u128(70)), samples });
        let reading = |(heard_ms, heart_bpm)| Reading { heard_ms, heart_bpm };
        let readings = beats.into_iter().map(reading).collect();
        back(at, &Input::HeartRate { athlete: id(2), readings });
    }

    #[test]
    fn bytes_that_nobody_packed_are_refused_or_read_and_never_more(payload in vec(any::<u8>(), 0..60), kind in any::<i8>()) {
        let _ = join(9, &Row { person: Some(1), kind, payload }, &[], &numbers());
    }
}
