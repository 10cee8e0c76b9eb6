//! How long the core takes: one stroke early and late in a piece, standings, a replay.
#![expect(
    clippy::indexing_slicing,
    clippy::unwrap_used,
    reason = "in a bench, a panic is the answer"
)]

mod invented;

use std::{cell::RefCell, hint::black_box};

use criterion::{BatchSize, BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use thole_piece::{
    Input, Session,
    limits::Measure,
    plan::Course,
    projection::{Forecast, Live},
    standings::{Digits, listed},
};
use thole_protocol::{
    spec::{Aim, Ranking, Target},
    units::{At, Decimetres, Millis},
};

use invented::{entries, row, rowing, start, stroke};

const CLASS: u32 = 40;
/// This many strokes of the class are measured together.
const STROKES: u32 = 100;

/// Strokes through the core with their projections and own standings, at different points of one long piece;
/// what is published once a second for everybody is included, as it is when people row. Many strokes per turn:
/// the first ones after the session is cloned wait for memory that a running server has at hand.
fn one_stroke(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("a stroke");
    group.throughput(Throughput::Elements(u64::from(CLASS * STROKES)));
    for strokes in [120, 500, 1_000] {
        let session = rowing(CLASS, 23_000, strokes);
        group.bench_function(BenchmarkId::new("of 40 athletes after", strokes), |bench| {
            bench.iter_batched_ref(
                || {
                    // A clone has no room to grow; after one more stroke it has.
                    let mut session = session.clone();
                    row(&mut session, CLASS, strokes + 1);
                    session
                },
                |session| {
                    for count in 2..=STROKES + 1 {
                        row(session, CLASS, strokes + count);
                    }
                },
                BatchSize::LargeInput,
            );
        });
    }
    group.finish();
}

/// The same strokes without what is published for everybody: that is published before each row, outside of
/// what is timed.
fn stroke_alone(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("a stroke alone");
    group.throughput(Throughput::Elements(u64::from(CLASS)));
    for strokes in [120, 500, 1_000] {
        let begun = rowing(CLASS, 23_000, strokes);
        let rowed = RefCell::new((begun.clone(), 0));
        let publish = || {
            let (session, count) = &mut *rowed.borrow_mut();
            if *count == STROKES {
                (*session, *count) = (begun.clone(), 0);
            }
            *count += 1;
            let published =
                session.apply(At(invented::heard(0, strokes + *count)), &Input::Deadline);
            assert!(!published.is_empty(), "published before the row, and so not within it");
            strokes + *count
        };
        group.bench_function(BenchmarkId::new("of 40 athletes after", strokes), |bench| {
            let row = |count| row(&mut rowed.borrow_mut().0, CLASS, count);
            bench.iter_batched(publish, row, BatchSize::PerIteration);
        });
    }
    group.finish();
}

fn standings(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("standings");
    for athletes in [1_000, 10_000, 100_000] {
        let rounds = [entries(athletes, 0), entries(athletes, 1)];
        group.throughput(Throughput::Elements(u64::from(athletes)));
        group.bench_function(BenchmarkId::from_parameter(athletes), |bench| {
            let mut next = 0;
            bench.iter(|| {
                next = 1 - next;
                listed(Ranking::Share, 0, Digits::Shown, &rounds[next])
            });
        });
    }
    group.finish();
}

/// What is made once a second for everybody in a piece: standings, notices, and what else the coach sees of
/// each.
fn published(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("published");
    for athletes in [1_000, 10_000] {
        let session = rowing(athletes, 5_000, 60);
        let at = session.now() + Millis(1_000);
        group.throughput(Throughput::Elements(u64::from(athletes)));
        group.bench_function(BenchmarkId::from_parameter(athletes), |bench| {
            bench.iter_batched_ref(
                || session.clone(),
                |session| {
                    session.apply(at, &Input::Deadline);
                    session.overview()
                },
                BatchSize::PerIteration,
            );
        });
    }
    group.finish();
}

/// A focus call to everybody in a piece, and its end by the next one.
fn call(criterion: &mut Criterion) {
    let athletes = 10_000;
    let mut session = rowing(athletes, 5_000, 60);
    let mut group = criterion.benchmark_group("a call to all of");
    group.throughput(Throughput::Elements(u64::from(athletes)));
    group.bench_function(BenchmarkId::from_parameter(athletes), |bench| {
        let mut number = 0;
        bench.iter(|| {
            number += 1;
            let at = session.now();
            session.apply(at, &invented::call(number))
        });
    });
    group.finish();
}

/// A whole piece of thirty from its inputs.
fn replay(criterion: &mut Criterion) {
    let (athletes, strokes) = (30, 230);
    let mut inputs = start(athletes, 2_300);
    for count in 1..=strokes {
        for number in 0..athletes {
            inputs.push((At(invented::heard(number, count)), stroke(number, count)));
        }
    }
    let mut group = criterion.benchmark_group("replay");
    group.throughput(Throughput::Elements(u64::from(athletes * strokes)));
    group.bench_function("30 athletes, 230 strokes each", |bench| {
        bench.iter(|| {
            let mut session = Session::new();
            for (at, input) in &inputs {
                session.apply(*at, input);
            }
            session
        });
    });
    group.finish();
}

/// One row and the projection after it, at different points of 5,000 m with one row a second.
fn projection(criterion: &mut Criterion) {
    let finish_ms = Millis(1_240_000);
    let aim = Aim { target: Some(Target::Finish { finish_ms }), ..Aim::default() };
    let course = Course::new(Measure::Distance(Decimetres(50_000)), 1, &aim).unwrap();
    let forecast = Forecast::default();
    let mut group = criterion.benchmark_group("a row with its projection");
    for second in [120_u32, 620, 1_180] {
        let row = |live: &mut Live, second: u32| live.row(&course, second * 1_000, second * 40 + 1);
        let mut rowed = Live::new();
        (1..=second).for_each(|second| row(&mut rowed, second));
        group.bench_function(BenchmarkId::new("after seconds", second), |bench| {
            bench.iter(|| {
                let mut live = black_box(rowed);
                row(&mut live, second + 1);
                forecast.estimate(&course, &live)
            });
        });
    }
    group.finish();
}

criterion_group!(benches, one_stroke, stroke_alone, projection, standings, published, call, replay);
criterion_main!(benches);
