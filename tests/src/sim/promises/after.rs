//! The shop goes on after all that was tried: the office closes a day, a new device is filled, and a backup is put back and serves
//! every honest device.

use shared::role::Role;
use sync_core::book::backup::restore_shop;
use sync_core::commands::ActionContext;
use sync_core::engine::BookError;
use sync_core::sys::clock::ClockReading;

use super::super::rest::{come_to_rest, judge, level};
use super::super::world::{Broken, OFFICE, SHOP, World};
use super::Truth;
use crate::crew::Dice;
use crate::disk::Image;

fn broken<T>(promise: &'static str, seen: String) -> Result<T, Broken> {
    Err(Broken { promise, seen })
}

/// Judges it. Stories without insiders end before.
pub(in crate::sim) fn goes_on(world: &mut World, seed: u64) -> Result<(), Broken> {
    let office = world.nodes[OFFICE].person;
    let is_office = |truth: Truth| truth.roles(office).into_iter().all(|role| role == Some(Role::Office));
    let office_works = !world.nodes[OFFICE].revoked && world.known(OFFICE) && world.truth().is_some_and(is_office);
    if world.insiders.is_empty() || !office_works {
        return Ok(());
    }
    let dice = &mut Dice::new(seed ^ 0xafe);
    close_a_day(world, dice)?;
    fill_a_new_device(world, dice)?;
    put_a_backup_back(world, dice)?;
    come_to_rest(world, seed ^ 0xbac)?;
    judge(world)
}

/// The office's own work is still possible: nobody has taken the place of what the shop needs for it.
fn close_a_day(world: &mut World, dice: &mut Dice) -> Result<(), Broken> {
    world.now_ms += 86_400_000;
    let now = world.nodes[OFFICE].moment(world.now_ms);
    let Some(book) = world.nodes[OFFICE].book.as_mut() else { return Ok(()) };
    let Ok(roster) = book.roster() else { return Ok(()) };
    let yesterday = roster.day(world.now_ms - 86_400_000);
    let closed = book.author().close_day(yesterday, "the story ends", &mut ActionContext { now, entropy: dice, measured_by: None });
    match closed {
        // It was closed in the story, and nothing came since.
        Err(BookError::Entry(_)) => {}
        Err(error) => return broken("the office can work", format!("{yesterday} cannot be closed: {error}")),
        Ok(record) => {
            level(world, OFFICE, dice)?;
            let at_shop = world.nodes[SHOP].book.as_ref().and_then(|book| book.store().records().held(record).ok().flatten());
            if at_shop.is_none() {
                return broken("the office can work", format!("the closing of {yesterday} did not come into the shop's book"));
            }
        }
    }
    Ok(())
}

fn fill_a_new_device(world: &mut World, dice: &mut Dice) -> Result<(), Broken> {
    world.now_ms += 60_000;
    let new = world.nodes.len();
    world.enrol(Role::Lead, dice);
    if world.nodes.len() == new {
        return broken("a new device can be filled", "nobody new can enrol".to_owned());
    }
    level(world, new, dice)?;
    let documents =
        |node: usize| world.nodes[node].book.as_ref().and_then(|book| book.store().documents().all().ok()).map_or(0, |d| d.len());
    if documents(new) < documents(SHOP) {
        let seen = format!("a new lead's device has {} documents, and the shop {}", documents(new), documents(SHOP));
        return broken("a new device can be filled", seen);
    }
    Ok(())
}

fn put_a_backup_back(world: &mut World, dice: &mut Dice) -> Result<(), Broken> {
    let folder = tempfile::tempdir().map_err(|e| Broken { promise: "reads", seen: e.to_string() })?;
    let (copy, place) = (folder.path().join("copy.db"), folder.path().join("book.db"));
    let Some(shop) = world.nodes[SHOP].book.as_ref() else { return Ok(()) };
    if let Err(error) = shop.upkeep().backup_to(&copy) {
        return broken("every backup restores", format!("no backup can be made: {error}"));
    }
    if let Err(error) = restore_shop(&copy, &place, &ClockReading::at(world.now_ms), dice) {
        return broken("every backup restores", format!("{error}"));
    }
    let bytes = std::fs::read(&place).map_err(|e| Broken { promise: "reads", seen: e.to_string() })?;
    world.nodes[SHOP].close();
    world.nodes[SHOP].disk.put_back(&Image::of_book(bytes));
    world.say("The shop is put back from a backup.");
    Ok(())
}
