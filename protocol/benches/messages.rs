//! How long messages take to be read and written.
#![expect(clippy::unwrap_used, reason = "in a bench, a panic is the answer")]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use thole_protocol::{ClientMsg, ServerMsg};

/// The examples of the protocol, as they cross the socket: without white space.
fn compact(example: &str) -> String {
    serde_json::from_str::<serde_json::Value>(example).unwrap().to_string()
}

fn read(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("read");
    let samples = include_str!("../examples/client/samples.json");
    let heartbeat = include_str!("../examples/client/heartbeat.json");
    for (name, example) in [("samples", samples), ("heartbeat", heartbeat)] {
        let text = compact(example);
        group.throughput(Throughput::Bytes(text.len() as u64));
        group.bench_function(name, |bench| bench.iter(|| ClientMsg::read(&text).unwrap()));
    }
    group.finish();
}

fn write(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("write");
    let ack: ServerMsg = serde_json::from_str(include_str!("../examples/server/ack.json")).unwrap();
    let standings = include_str!("../examples/server/standings.json");
    let ServerMsg::Standings(mut long) = serde_json::from_str(standings).unwrap() else {
        panic!("the example holds standings")
    };
    long.lines = long.lines.iter().cycle().take(1_000).cloned().collect();
    let long = ServerMsg::Standings(long);
    for (name, msg) in [("ack", ack), ("standings of 1,000", long)] {
        let size = serde_json::to_string(&msg).unwrap().len();
        group.throughput(Throughput::Bytes(size as u64));
        group.bench_function(name, |bench| bench.iter(|| serde_json::to_string(&msg).unwrap()));
    }
    group.finish();
}

criterion_group!(benches, read, write);
criterion_main!(benches);
