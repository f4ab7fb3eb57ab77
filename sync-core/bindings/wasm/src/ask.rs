//! The façade's methods by name: what a page asks, with JSON in and JSON out.

use serde::Serialize;
use serde::de::DeserializeOwned;
use shared::symptom::Symptom;
use tappet_kit::{Kit, KitError};

/// Asks the kit. The names are those of `kit.js`, the arguments a JSON list.
pub(crate) fn ask(kit: &mut Kit, name: &str, arguments: &str) -> Result<String, KitError> {
    let given = Given(arguments);
    match name {
        // Looking.
        "status" => said(kit.status()?),
        "round" => said(kit.round()?),
        "properties" => said(kit.properties()?),
        "due" => said(kit.due()?),
        "contested" => said(kit.contested()?),
        "quarantine" => said(kit.quarantine()?),
        "quarantined" => said(kit.quarantined(given.one()?)?),
        "property" => said(kit.property(given.one()?)?),
        "duePage" => said(kit.due_page(&given.one()?)?),
        "roundPage" => said(kit.round_page(&given.one()?)?),
        "engineCards" => said(kit.engine_cards()?),
        "toTakeBack" => said(kit.to_take_back(given.one()?)?),
        "findMachine" => said(kit.find_machine(&given.one::<String>()?)?),
        "machine" => said(kit.machine(given.one()?)?),
        "history" => said(kit.history(given.one()?)?),
        "moved" => said(kit.moved(given.one()?)?),
        "slot" => {
            let (doc, slot) = given.all()?;
            said(kit.slot(doc, &slot)?)
        }
        "verify" => {
            let verification = kit.verify()?;
            said(serde_json::json!({ "clean": verification.faults.is_empty(), "faults": verification.faults }))
        }
        // The person's own.
        "unit" => said(kit.unit()?),
        "setUnit" => said(kit.set_unit(given.one()?)?),
        "leaves" => said(kit.leaves()?),
        "setLeaves" => said(kit.set_leaves(&given.one::<String>()?)?),
        "readLength" => said(kit.read_length(&given.one::<String>()?)?),
        "showLength" => said(kit.show_length(given.one()?)?),
        "remembered" => said(kit.remembered(&given.one::<String>()?)?),
        "remember" => {
            let (name, value): (String, Option<serde_json::Value>) = given.all()?;
            said(kit.remember(&name, value.as_ref())?)
        }
        // Working.
        "cautions" => {
            let cautions: Vec<&str> = kit.cautions(given.one()?)?.into_iter().map(|caution| caution.words()).collect();
            said(serde_json::json!({ "cautions": cautions, "deference": tappet_kit::deference() }))
        }
        "symptoms" => said(Symptom::ALL.map(|one| serde_json::json!({ "name": one.name(), "words": one.words() }))),
        "symptom" => {
            let (machine, name): (_, String) = given.all()?;
            said(kit.symptom(machine, &name)?)
        }
        "lesson" => {
            let (lesson, machine): (String, _) = given.all()?;
            said(kit.lesson(&lesson, machine)?)
        }
        "lessonFigure" => {
            let (lesson, machine, degrees): (String, _, _) = given.all()?;
            said(kit.lesson_figure(&lesson, machine, degrees)?)
        }
        "openVisit" => {
            let (machine, entry) = given.all()?;
            said(kit.open_visit(machine, &entry)?)
        }
        "resumeVisit" => {
            let (machine, entry) = given.all()?;
            said(kit.resume_visit(machine, &entry)?)
        }
        "openVisitOf" => said(kit.open_visit_of(given.one()?)?),
        "ownVisit" => said(kit.own_visit(given.one()?)?),
        "visitToGoOnWith" => said(kit.visit_to_go_on_with()?),
        "handOver" => {
            let (machine, note): (_, String) = given.all()?;
            said(kit.hand_over(machine, &note)?)
        }
        "takeUp" => said(kit.take_up(given.one()?)?),
        "guide" => said(kit.guide(given.one()?)?),
        "firstLeaf" => {
            let (machine, valve) = given.all()?;
            said(kit.first_leaf(machine, valve)?)
        }
        "trial" => {
            let (machine, valve, tried): (_, _, Vec<_>) = given.all()?;
            said(kit.trial(machine, valve, &tried)?)
        }
        "takeReading" => {
            let (machine, entry) = given.all()?;
            said(kit.take_reading(machine, entry)?)
        }
        "readHours" => {
            let (machine, meter) = given.all()?;
            said(kit.read_hours(machine, meter)?)
        }
        "changeMeter" => {
            let (machine, change) = given.all()?;
            said(kit.change_meter(machine, change)?)
        }
        "addFinding" => {
            let (machine, grade, what): (_, _, String) = given.all()?;
            said(kit.add_finding(machine, grade, &what)?)
        }
        "clearFinding" => {
            let (finding, how): (_, String) = given.all()?;
            said(kit.clear_finding(finding, &how)?)
        }
        "addNote" => {
            let (doc, text): (_, String) = given.all()?;
            said(kit.add_note(doc, &text)?)
        }
        "leftOpen" => {
            let (machine, visit) = given.all()?;
            said(kit.left_open(machine, visit)?)
        }
        "finishVisit" => {
            let (machine, remark): (_, String) = given.all()?;
            said(kit.finish_visit(machine, &remark)?)
        }
        "signOff" => {
            let (machine, visit, remark): (_, _, String) = given.all()?;
            said(kit.sign_off(machine, visit, &remark)?)
        }
        "addMachine" => said(kit.add_machine(given.one()?)?),
        "void" => {
            let (target, reason): (_, String) = given.all()?;
            said(kit.void(target, &reason)?)
        }
        // Photos.
        "photosDue" => said(kit.photos_due()?),
        "ownPhotos" => said(kit.own_photos()?),
        "photosToLetGo" => said(kit.photos_to_let_go()?),
        "photoGone" => {
            let (doc, sha256) = given.all()?;
            said(kit.photo_gone(doc, sha256)?)
        }
        "photoLetGo" => {
            let (doc, sha256) = given.all()?;
            said(kit.photo_let_go(doc, sha256)?)
        }
        // For the tests alone: what must not be found in any file.
        #[cfg(feature = "vectors")]
        "privateKeys" => {
            let keys = kit.book().identity()?.keys().map_err(sync_core::engine::BookError::from)?;
            said([keys.record().to_bytes(), keys.login().to_bytes()].map(hex::encode))
        }
        // When nobody waits.
        "verifyDeferred" => said(kit.verify_deferred(given.one()?)?),
        "tidy" => said(kit.tidy(given.one()?)?),
        other => Err(KitError::Given(format!("the kit has nothing named \"{other}\""))),
    }
}

/// Arguments as they came.
struct Given<'a>(&'a str);

impl Given<'_> {
    fn all<T: DeserializeOwned>(&self) -> Result<T, KitError> {
        serde_json::from_str(self.0).map_err(|e| KitError::Given(format!("the arguments cannot be read ({e})")))
    }

    fn one<T: DeserializeOwned>(&self) -> Result<T, KitError> {
        self.all::<(T,)>().map(|(one,)| one)
    }
}

/// A result as JSON.
pub(crate) fn said<T: Serialize>(result: T) -> Result<String, KitError> {
    serde_json::to_string(&result).map_err(|e| KitError::Answer(e.to_string()))
}
