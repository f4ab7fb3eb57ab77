//! `tappet enrol`: makes this device one of a shop's, with a one-time code from the office.

use serde_json::json;
use shared::wire::EnrolAnswer;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;
use crate::sync;
use crate::transport::Transport;

/// Arguments of `enrol`.
#[derive(Debug, clap::Args)]
pub(crate) struct EnrolArgs {
    /// Where the shop's server answers, as in https://shop.example
    #[arg(long, value_name = "URL")]
    server: String,
    /// The one-time code
    #[arg(long)]
    code: String,
    /// What this device is called [the machine's own name where none is given]
    #[arg(long, value_name = "DEVICE")]
    name: Option<String>,
}

pub(crate) fn run(args: &EnrolArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let authority = sync::authority_given(session)?;
    let mut transport = Transport::to(&args.server, session.global.allow_plain_http, authority.as_deref())?;
    let name = args.name.clone().unwrap_or_else(|| session.env.device_name.clone());
    let now = session.env.now();
    // The keys are kept before they are sent: a lost answer is asked for again with the same ones.
    let request = session.book.enrol_request(&args.code, &name, &now, &mut *session.env.entropy)?;
    let answer: EnrolAnswer = transport.post_json("/v1/enrol", None, &request)?;
    session.book.enrolled(&answer, &args.server)?;
    sync::remember_way(session, authority.as_deref())?;
    let role = answer.role.map_or("without a role yet", |role| role.name());
    let enrolled = format!("This device, {name}, belongs to {} now: {}, {role}.", answer.shop_name, answer.person_name);
    let outcome = Outcome::new(&json!({ "enrolled": answer, "device_name": name }), enrolled)?;
    match sync::exchange(session) {
        Ok(done) => {
            let text = render::exchange::words(session, &done)?;
            let look = render::exchange::wants_a_look(&done);
            outcome.with("exchange", &done).map(|outcome| outcome.and_say(&text).needing(look))
        }
        // Enrolled is enrolled: the first exchange can come later.
        Err(failure) => {
            let said = render::sentence(&failure.to_string());
            Ok(outcome
                .and_say(&format!("The first exchange did not come about: {said} Exchange again later: tappet exchange"))
                .needing(true))
        }
    }
}
