//! What each route does: read the request, ask the shop, write the answer.

pub(crate) mod backups;
pub(crate) mod calendar;
pub(crate) mod days;
pub(crate) mod description;
pub(crate) mod exchange;
pub(crate) mod exports;
pub(crate) mod given;
pub(crate) mod joining;
pub(crate) mod lists;
pub(crate) mod live;
pub(crate) mod looking;
pub(crate) mod page;
pub(crate) mod paper;
pub(crate) mod photos;
pub(crate) mod piston;
pub(crate) mod quarantine;
pub(crate) mod reckoning;
pub(crate) mod warmth;
pub(crate) mod watching;
