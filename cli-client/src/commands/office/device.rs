//! `tappet office device` and `devices`: one-time codes for new devices, and revoking lost ones.

use serde_json::json;
use shared::wire::{CodeIssued, CodeRequest};
use sync_core::queries::short;

use super::FindArgs;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render::{self, Table};
use crate::session::Session;
use crate::sync;

/// What to do with a device.
#[derive(Debug, clap::Subcommand)]
pub(super) enum DeviceCommand {
    /// Make a one-time code with which a person enrols a device
    Code(CodeArgs),
    /// Trust a device no more, for ever
    Revoke(RevokeArgs),
}

impl DeviceCommand {
    pub(super) const fn writes(&self) -> bool {
        matches!(self, Self::Revoke(_))
    }
}

/// Arguments of `device code`.
#[derive(Debug, clap::Args)]
pub(super) struct CodeArgs {
    /// For whom
    person: String,
}

/// Arguments of `device revoke`.
#[derive(Debug, clap::Args)]
pub(super) struct RevokeArgs {
    /// The device's name, or the last digits of its id
    name: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    because: String,
}

pub(super) fn run(command: &DeviceCommand, there: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        DeviceCommand::Code(args) => code(args, there, session),
        DeviceCommand::Revoke(args) => {
            let device = session.book.finder().find_device(&args.name)?;
            let record = session.book.author().revoke_device(device, &args.because, &mut session.env.hand(None))?;
            let text = format!(
                "Device {} is revoked. What it wrote before stays; what it brings from now on waits in quarantine for you. To undo this, enrol it again.",
                args.name
            );
            Outcome::new(&json!({ "device": device, "record": record }), render::wrapped(&text, render::width(session.env)))
        }
    }
}

fn code(args: &CodeArgs, there: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let person = session.book.finder().find_person(&args.person)?;
    if !there {
        return Err(Failure::ShopAway("a code is made by the shop's server, and no exchange came about".to_owned()));
    }
    let mut transport = sync::transport(session)?;
    let request = CodeRequest { person };
    let issued: CodeIssued =
        sync::in_my_name(session, &mut transport, |transport, token| transport.post_json("/v1/codes", Some(token), &request))?;
    let text = format!(
        "{}\nFor one device of {}, until {}. It is shown once. On that device: tappet enrol --server {} --code {}",
        issued.code,
        session.book.roster()?.name(issued.person),
        session.local(issued.until_ms)?,
        session.book.identity()?.server,
        issued.code
    );
    Outcome::new(&issued, render::wrapped(&text, render::width(session.env)))
}

pub(super) fn list(args: &FindArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let devices = args.of(session.book.reader().devices()?);
    let mut table = Table::new(&["Device", "Whose", "Id", "Trusted"]);
    for device in &devices {
        let trusted = match device.revoked_ms {
            Some(ms) => format!("revoked {}", session.local(ms)?),
            None => "yes".to_owned(),
        };
        table.row([device.name.clone(), device.person_name.clone(), short(&device.device), trusted]);
    }
    Outcome::new(&json!({ "devices": devices }), table.text(render::width(session.env)))
}
