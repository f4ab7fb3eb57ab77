//! `tappet office person` and `people`: who is on the roster, and in which role.

use serde_json::json;
use shared::role::Role;
use sync_core::queries::short;

use super::FindArgs;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render::{self, Table};
use crate::session::Session;

/// What to do with a person.
#[derive(Debug, clap::Subcommand)]
pub(super) enum PersonCommand {
    /// Put a person on the roster
    Add(AddArgs),
    /// Give a person a role, or none
    Role(RoleArgs),
}

/// Arguments of `person add`.
#[derive(Debug, clap::Args)]
pub(super) struct AddArgs {
    /// The name on screens
    name: String,
    /// lead, tech, helper or office
    #[arg(long, value_parser = role)]
    role: Role,
}

/// Arguments of `person role`.
#[derive(Debug, clap::Args)]
pub(super) struct RoleArgs {
    /// The person's name
    name: String,
    /// lead, tech, helper, office or none
    #[arg(value_parser = role_or_none)]
    role: RoleOrNone,
}

/// A role, or none any more.
#[derive(Debug, Clone, Copy)]
struct RoleOrNone(Option<Role>);

fn role(text: &str) -> Result<Role, String> {
    text.parse().map_err(|error: shared::role::RoleError| error.to_string())
}

fn role_or_none(text: &str) -> Result<RoleOrNone, String> {
    if text.trim().eq_ignore_ascii_case("none") { Ok(RoleOrNone(None)) } else { role(text).map(|role| RoleOrNone(Some(role))) }
}

pub(super) fn run(command: &PersonCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        PersonCommand::Add(args) => {
            let person = session.book.author().add_person(&args.name, args.role, &mut session.env.hand(None))?;
            let text = format!(
                "{} is on the roster as {}. A code for their device: tappet office device code \"{}\"",
                args.name, args.role, args.name
            );
            Outcome::new(
                &json!({ "person": person, "name": args.name, "role": args.role }),
                render::wrapped(&text, render::width(session.env)),
            )
        }
        PersonCommand::Role(args) => {
            let person = session.book.finder().find_person(&args.name)?;
            let RoleOrNone(role) = args.role;
            let record = session.book.author().set_role(person, role, &mut session.env.hand(None))?;
            let text = match role {
                Some(role) => format!("{} is {role} from now on.", args.name),
                None => format!("{} has no role from now on. What they wrote before stays.", args.name),
            };
            Outcome::new(&json!({ "person": person, "role": role, "record": record }), text)
        }
    }
}

pub(super) fn list(args: &FindArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let people = args.of(session.book.reader().people()?);
    let mut table = Table::new(&["Name", "Role", "Looks after", "Id"]);
    for person in &people {
        let role = person.role.map_or("none", |role| role.name()).to_owned();
        table.row([person.name.clone(), role, person.properties.join(", "), short(&person.person)]);
    }
    Outcome::new(&json!({ "people": people }), table.text(render::width(session.env)))
}
