//! What screens and athletes are told, and in which words.

use thole_protocol::{
    event::Happening,
    order::Order,
    spec::{Audience, Point, SheetCall, Span},
};

use super::gym::{GO, Gym, finish, metres, piece, text};

#[test]
fn a_target_that_nobody_rows_is_refused_by_the_piece_only_where_there_are_several() {
    let says = |pieces| Gym::new(pieces).lists("Ana", Some(finish(60))).unwrap_err().says;
    let one = says(vec![piece(metres(500))]);
    let two = says(vec![piece(metres(500)), piece(metres(700))]);
    assert!(one.starts_with("Ana: Nobody rows 500 m"), "{one}");
    assert!(two.starts_with("Ana, piece 1: Nobody rows 500 m"), "{two}");
}

fn with_sheet() -> Gym {
    let mut spec = piece(metres(700));
    spec.call_sheet = vec![SheetCall {
        at: Point::DistanceDone { distance_dm: thole_protocol::units::Decimetres(2_000) },
        text: text("Settle"),
        audience: Audience::All,
        span: Span::Next,
    }];
    Gym::new(vec![spec.clone(), spec])
}

fn calls(gym: &mut Gym) -> usize {
    let told = gym.happened();
    told.iter().filter(|what| matches!(what, Happening::Call { .. })).count()
}

#[test]
fn who_passed_a_point_of_the_sheet_unheard_gets_no_call_once_the_piece_is_over_or_another_one_is_rowed()
 {
    for next in [false, true] {
        let mut gym = with_sheet();
        for name in ["Ana", "Bo"] {
            gym.joins(name, None);
        }
        gym.goes();
        gym.row(1..=40, &[80, 80]);
        assert_eq!(calls(&mut gym), 0);
        // Bo's phone keeps what it measures.
        let kept: Vec<_> = (21..=30).map(|nth| gym.sample(1, GO + 2_000 * nth, 80)).collect();
        for nth in 21..=30 {
            gym.stroke(0, GO + 2_000 * nth, 80);
        }
        assert_eq!(calls(&mut gym), 1, "Ana's");
        gym.order(Order::Stop).unwrap();
        if next {
            for order in [Order::NextPiece, Order::Arm, Order::Start] {
                gym.order(order).unwrap();
            }
            gym.until(GO + 80_000);
        }
        gym.send(1, GO + 80_000, kept);
        assert_eq!(calls(&mut gym), 0, "{next}");
        assert!(gym.result(1).unwrap().distance_dm.0 > 2_000, "and yet it counts");
    }
}

/// The clock of the piece stands still with the last stroke, and goes on when somebody rows on.
#[test]
fn once_nobody_rows_and_the_end_is_waited_for_it_is_said_since_when() {
    let mut gym = Gym::new(vec![piece(metres(400))]);
    for name in ["Ana", "Bo", "Cy"] {
        gym.joins(name, None);
    }
    // On the roster, and never there: nobody waits for them.
    gym.lists("Dee", None).unwrap();
    let since = |gym: &Gym| {
        let standings = gym.session.overview().standings;
        standings.nobody_rows_since_ms.map(|at| at.0 - GO)
    };
    gym.goes();
    gym.row(1..=60, &[80, 80, 80]);
    gym.row(61..=90, &[80, 80, 0]);
    assert_eq!(since(&gym), None, "Cy alone has stopped");
    gym.row(91..=100, &[80, 0, 0]);
    gym.until(GO + 101_000);
    assert!(matches!(
        gym.session.view(thole_piece::session::Viewer::Coach).pieces[0].phase,
        thole_protocol::standing::Phase::Closing { .. }
    ));
    assert_eq!(since(&gym), None, "Bo may row on");
    gym.until(GO + 104_000);
    assert_eq!(since(&gym), Some(100_000), "when Ana was home");
    gym.row(105..=106, &[0, 80, 0]);
    gym.until(GO + 107_000);
    assert_eq!(since(&gym), None, "Bo rows on");
    gym.until(GO + 130_000);
    assert_eq!(since(&gym), Some(106_000));
    gym.order(Order::Close).unwrap();
    assert_eq!(since(&gym), None, "it is over");
}
