//! `tappet office quarantine`: what waits at the shop, let in or kept out by the office.

use serde::Deserialize;
use serde_json::{Value, json};

use crate::commands::quarantine;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;
use crate::sync;

/// Arguments of `quarantine`.
#[derive(Debug, clap::Args)]
pub(super) struct QuarantineArgs {
    #[command(subcommand)]
    then: Option<Settle>,
}

/// What becomes of something in quarantine.
#[derive(Debug, clap::Subcommand)]
enum Settle {
    /// Let a record in
    Release {
        /// Its number in the shop's quarantine
        number: u32,
    },
    /// Keep a record out
    KeepOut {
        /// Its number in the shop's quarantine
        number: u32,
    },
}

pub(super) fn run(args: &QuarantineArgs, there: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match (&args.then, there) {
        (None, true) => list(session),
        (None, false) => Ok(quarantine::run(session)?.and_say("This is this device's own quarantine; the shop's is at the shop.")),
        (Some(_), false) => Err(Failure::ShopAway("its quarantine is at the shop, and no exchange came about".to_owned())),
        (Some(Settle::Release { number }), true) => settle(*number, "release", "is let in", session),
        (Some(Settle::KeepOut { number }), true) => settle(*number, "keep-out", "is kept out, and stays in quarantine", session),
    }
}

/// A page of the shop's list.
#[derive(Debug, Deserialize)]
struct Page {
    items: Vec<Value>,
    #[serde(default)]
    next: Option<String>,
}

fn list(session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let mut transport = sync::transport(session)?;
    let mut held: Vec<Value> = Vec::new();
    let mut path = "/v1/quarantine?limit=500".to_owned();
    // As the shop gives it: one page after another, each as long as one may be.
    loop {
        let page: Page = sync::in_my_name(session, &mut transport, |transport, token| transport.get_json(&path, token))?;
        held.extend(page.items);
        let Some(next) = page.next else { break };
        path = format!("/v1/quarantine?limit=500&after={next}");
    }
    let held = Value::Array(held);
    let text = render::lists::shop_quarantine(&held, session)?;
    Outcome::new(&json!({ "quarantine": held }), text)
}

fn settle(number: u32, how: &str, words: &str, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let mut transport = sync::transport(session)?;
    let path = format!("/v1/quarantine/{number}/{how}");
    sync::in_my_name(session, &mut transport, |transport, token| transport.post_empty(&path, token))?;
    let text = render::sentence(&format!("number {number} {words}"));
    Outcome::new(&json!({ "number": number, "settled": how }), text)
}
