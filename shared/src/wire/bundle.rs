//! The bundle: a file that carries changes from one device to another where there is no signal.

use serde::{Deserialize, Serialize};

use crate::ids::{DeviceId, DocId, ShopId};
use crate::wire::ShortRecipe;

/// The bundle version written here.
pub const BUNDLE: u32 = 1;

/// Changes for another device of the same shop.
///
/// Nothing in it is trusted for having come in it: the receiver checks every signature and right itself. Whoever made
/// it is named for people's sake only.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bundle {
    /// [`BUNDLE`].
    pub bundle: u32,
    /// The shop whose records it carries.
    pub shop: ShopId,
    /// The device that made it.
    pub from: DeviceId,
    /// That device's wall clock then, ms since 1970 UTC.
    pub made_at: i64,
    /// The roster first, then the documents, each from its beginning.
    pub docs: Vec<BundledDoc>,
}

/// One document of a bundle.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BundledDoc {
    /// Which document.
    pub id: DocId,
    /// Its changes, each after what it builds on.
    pub recipes: Vec<ShortRecipe>,
}
