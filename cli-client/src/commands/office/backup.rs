//! `tappet office backup` and `backups`: copies of the shop's book, made and kept at the shop.

use serde_json::json;
use sync_core::book::backup::BackupLine;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;
use crate::sync;

/// Where the shop makes and lists them.
const BACKUPS: &str = "/v1/backups";

pub(super) fn make(there: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    at_the_shop(there)?;
    let mut transport = sync::transport(session)?;
    let made: BackupLine =
        sync::in_my_name(session, &mut transport, |transport, token| transport.post_json(BACKUPS, Some(token), &json!({})))?;
    let text = format!(
        "The shop made the backup {}, {} bytes, in the folder backups beside its book. It lies on the shop's own disk, and holds the shop's keys: copy it to another place that only the shop can read.",
        made.name, made.bytes
    );
    Outcome::new(&made, render::wrapped(&text, render::width(session.env)))
}

pub(super) fn list(there: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    at_the_shop(there)?;
    let mut transport = sync::transport(session)?;
    let held: Vec<BackupLine> = sync::in_my_name(session, &mut transport, |transport, token| transport.get_json(BACKUPS, token))?;
    let mut text = "The shop has no backup of its book. Make one with tappet office backup.".to_owned();
    if !held.is_empty() {
        let mut table = render::Table::new(&["Backup", "Made", "Bytes"]);
        for line in &held {
            table.row([line.name.clone(), session.local(line.made_ms)?, line.bytes.to_string()]);
        }
        text = table.text(render::width(session.env));
    }
    Outcome::new(&json!({ "backups": held }), text)
}

fn at_the_shop(there: bool) -> Result<(), Failure> {
    if there {
        return Ok(());
    }
    Err(Failure::ShopAway("its backups are at the shop, and no exchange came about".to_owned()))
}
