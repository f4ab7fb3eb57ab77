//! Messages and files on their way: exchanges, late mail, bundles.

use shared::wire::{ExchangeAnswer, ExchangeRequest};
use sync_core::sync::bundle::Load;
use sync_core::sync::{read_body, read_request, write_body};

use super::post::{Letter, arriving};
use super::steps::{Cut, Way};
use super::told::Seam;
use super::world::{Broken, SHOP, World};
use crate::crew::Dice;

/// How much of others' changes a device takes at once: as much as the shop hands out, or so little that every page ends where a page
/// can end.
pub(super) fn room(dice: &mut Dice) -> Option<u64> {
    let thrown = dice.throw() >> 16;
    (!thrown.is_multiple_of(3)).then_some(1 + thrown % 8_192)
}

impl World {
    pub(super) fn exchange(
        &mut self,
        phone: usize,
        (up, shop_cut): (Way, Cut),
        (down, phone_cut): (Way, Cut),
        dice: &mut Dice,
    ) -> Result<(), Broken> {
        self.now_ms += 200;
        let sent_at = self.nodes[phone].moment(self.now_ms);
        let Some(book) = self.nodes[phone].book(dice) else { return Ok(()) };
        let request = match book.outgoing().offer(&sent_at) {
            Ok(request) => ExchangeRequest { room: room(dice), ..request },
            Err(error) => {
                self.say(&format!("    No request: {error}."));
                return Ok(());
            }
        };
        let body = write_body(&request, true).map_err(|e| Broken { promise: "writes a request", seen: e.to_string() })?;
        self.say(&format!("    The request {up}."));
        if up == Way::Late {
            self.mail.push(Letter::Up { phone, body: body.clone() });
        }
        for body in arriving(up, &body) {
            if let Some(answer) = self.at_the_shop(phone, &body, shop_cut, dice)? {
                self.say(&format!("    The answer {down}."));
                if down == Way::Late {
                    self.mail.push(Letter::Down { phone, body: answer.clone(), sent_at });
                }
                for answer in arriving(down, &answer) {
                    self.at_the_phone(phone, &answer, sent_at, phone_cut, dice)?;
                }
            }
        }
        Ok(())
    }

    /// A request reaches the shop; the answer's body, where there is one.
    pub(super) fn at_the_shop(&mut self, phone: usize, body: &[u8], cut: Cut, dice: &mut Dice) -> Result<Option<Vec<u8>>, Broken> {
        self.now_ms += 100;
        let Ok(request) = read_request(body, true) else { return Ok(None) };
        let device = self.nodes[phone].device;
        if !self.ready(SHOP, cut, dice) {
            return Ok(None);
        }
        let now = self.nodes[SHOP].moment(self.now_ms);
        let Some(shop) = self.nodes[SHOP].book.as_ref() else { return Ok(None) };
        // As the server's door does: no token for a device that the roster does not know, or that is revoked.
        let known = shop.roster().ok().and_then(|roster| roster.devices.get(&device).map(|d| d.revoked_ms.is_none()));
        if known != Some(true) {
            self.nodes[SHOP].disk.keep_power();
            self.say("    The shop turns the device away.");
            return Ok(None);
        }
        let before = self.truth();
        let Some(shop) = self.nodes[SHOP].book.as_mut() else { return Ok(None) };
        let answered = shop.peer().answer(device, &request, &now, dice);
        if let Some(before) = &before {
            self.watch_hands(before)?;
            if let Ok(answer) = &answered {
                self.watch_eyes(phone, before, answer)?;
                self.watch_size(phone, answer)?;
                self.watch_refusals(phone, answer)?;
            }
        }
        let body = match answered {
            Ok(answer) => {
                if request.epoch.is_some_and(|epoch| epoch != answer.epoch) {
                    self.told.epochs += 1;
                }
                match write_body(&answer, true) {
                    Ok(body) => Some(body),
                    Err(error) if self.is_insider(phone) => {
                        self.say(&format!("    No answer: {error}."));
                        None
                    }
                    Err(error) => {
                        let seen = format!("{} gets no answer: {error}", self.nodes[phone].name);
                        return Err(Broken { promise: "every exchange succeeds", seen });
                    }
                }
            }
            Err(error) if self.resting && !self.is_insider(phone) => {
                let seen = format!("{} gets no answer: {error}", self.nodes[phone].name);
                return Err(Broken { promise: "every exchange succeeds", seen });
            }
            Err(error) => {
                self.say(&format!("    The shop: {error}."));
                None
            }
        };
        self.after(SHOP, dice)?;
        Ok(body)
    }

    /// An answer reaches the device.
    pub(super) fn at_the_phone(
        &mut self,
        phone: usize,
        body: &[u8],
        sent_at: sync_core::sys::clock::ClockReading,
        cut: Cut,
        dice: &mut Dice,
    ) -> Result<Option<bool>, Broken> {
        self.now_ms += 100;
        let Ok(answer) = read_body::<ExchangeAnswer>(body, true) else { return Ok(None) };
        if !self.ready(phone, cut, dice) {
            return Ok(None);
        }
        let now = self.nodes[phone].moment(self.now_ms);
        let Some(book) = self.nodes[phone].book.as_mut() else { return Ok(None) };
        let more = match book.peer().take_answer(&sent_at, &answer, &now, dice) {
            Ok(report) => {
                for line in &report.refused {
                    self.say(&format!("    Not taken: {:?} {}", line.code, line.detail));
                }
                self.told.exchanges += 1;
                Some(report.more)
            }
            Err(error) => {
                self.say(&format!("    Not taken in: {error}."));
                None
            }
        };
        self.after(phone, dice)?;
        Ok(more)
    }

    pub(super) fn late_mail(&mut self, which: usize, dice: &mut Dice) -> Result<(), Broken> {
        if self.mail.is_empty() {
            return Ok(());
        }
        match self.mail.remove(which % self.mail.len()) {
            Letter::Up { phone, body } => {
                // Nobody waits for the answer any more.
                self.at_the_shop(phone, &body, None, dice)?;
            }
            Letter::Down { phone, body, sent_at } => {
                self.at_the_phone(phone, &body, sent_at, None, dice)?;
            }
        }
        Ok(())
    }

    pub(super) fn bundle(&mut self, from: usize, to: usize, way: Way, cut: Cut, dice: &mut Dice) -> Result<(), Broken> {
        if from == to {
            return Ok(());
        }
        let made_at = self.nodes[from].moment(self.now_ms);
        let Some(Ok(made)) = self.nodes[from].book(dice).map(|book| book.outgoing().make_bundle(&Load::Unsent, &made_at)) else {
            return Ok(());
        };
        let line = format!("    A bundle from {} to {} {way}.", self.nodes[from].name, self.nodes[to].name);
        self.say(&line);
        for bytes in made.bundles.iter().flat_map(|bytes| arriving(way, bytes)) {
            if !self.ready(to, cut, dice) {
                return Ok(());
            }
            let now = self.nodes[to].moment(self.now_ms);
            let Some(book) = self.nodes[to].book.as_mut() else { return Ok(()) };
            match book.peer().take_bundle(&bytes, &now) {
                Ok(taken) => {
                    if taken.taken + taken.saved > 0 {
                        self.told.seams.insert(Seam::Bundle);
                    }
                    self.say(&format!("    {} taken, {} saved, {} refused.", taken.taken, taken.saved, taken.refused.len()));
                }
                Err(error) => self.say(&format!("    {error}.")),
            }
            self.after(to, dice)?;
        }
        Ok(())
    }
}
