//! What each route does: read the request, ask the shop, write the answer.

pub(crate) mod exchange;
pub(crate) mod joining;
pub(crate) mod looking;
pub(crate) mod quarantine;
