//! Speed and size as ratios against peers measured in the same run, on the same disk.
//!
//!     cargo build --release -p isobarn
//!     cargo run --release -p isobarn-tests --bin benchmark -- [formulas|history|spans|log|written|databases|commits|forward|http|mqtt|inlet|catch-up|backlog|page|start|idle]...
//!
//! Every figure is the median of alternating pairs: ours, the peer, ours, the peer. On
//! two shared cores throughput alone wanders by a tenth, so the processor time a million
//! samples stands beside it.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    clippy::too_many_lines,
    clippy::format_push_string,
    reason = "a benchmark may stop where a service may not"
)]

mod backlog;
mod catch_up;
mod commits;
mod databases;
mod derivation;
mod formulas;
mod forward;
mod history_size;
mod http;
mod idle;
mod inlet;
mod measure;
mod measured;
mod mqtt;
mod page;
mod service;
mod spans;
mod start;
mod store;
mod written;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let Some(("peer", rest)) = arguments.split_first().map(|(a, b)| (a.as_str(), b)) {
        let folder = std::path::PathBuf::from(&rest[1]);
        match rest[0].as_str() {
            "http" => http::peer(&folder),
            "inlet" => inlet::peer(&folder),
            "mqtt" => mqtt::peer(&folder, &rest[2]),
            other => panic!("no peer {other}"),
        }
        return;
    }
    let wanted = |name: &str| {
        arguments.iter().any(|a| a == name)
            || (arguments.is_empty()
                && !matches!(name, "idle" | "backlog" | "page" | "spans" | "start" | "written"))
    };
    if wanted("formulas") {
        formulas::compare();
        derivation::compare();
    }
    if arguments == ["formulas"] {
        return;
    }
    println!("program: {}", isobarn_tests::program::binary().display());
    if wanted("http") {
        http::compare();
    }
    if wanted("mqtt") {
        mqtt::compare();
    }
    if wanted("inlet") {
        inlet::compare();
    }
    if wanted("catch-up") {
        catch_up::compare();
    }
    if wanted("forward") {
        forward::compare();
    }
    if wanted("history") {
        history_size::measure();
    }
    if wanted("spans") {
        spans::measure();
    }
    if wanted("log") {
        commits::ask_of_the_log();
    }
    if wanted("commits") {
        commits::compare();
    }
    if wanted("written") {
        written::compare();
    }
    if wanted("databases") {
        databases::compare();
    }
    if wanted("backlog") {
        backlog::send();
    }
    if wanted("page") {
        page::measure();
    }
    if wanted("start") {
        start::measure();
    }
    if wanted("idle") {
        idle::watch();
    }
}
