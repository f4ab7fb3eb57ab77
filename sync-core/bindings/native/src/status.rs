//! How a device and its book are, in plain types that every language has.

/// How this device and its book are. Before enrolment only `enrolled`, `now_ms`, `mark` and `keys` say anything.
#[derive(Debug, Clone, PartialEq, Eq, uniffi::Record)]
pub struct Status {
    /// The book belongs to a shop.
    pub enrolled: bool,
    /// The shop's name.
    pub shop: Option<String>,
    /// Whose device it is.
    pub person: Option<String>,
    /// That person's role, where they have one: lead, tech, helper or office.
    pub role: Option<String>,
    /// That person may measure by themselves; the office only writes down for someone.
    pub measures: bool,
    /// That person may sign a visit off.
    pub signs_off: bool,
    /// The shop's time zone, by its name.
    pub time_zone: Option<String>,
    /// The server's address.
    pub server: Option<String>,
    /// Machines held.
    pub machines: u64,
    /// Records held.
    pub records: u64,
    /// Own records without the shop's receipt: warn while there are any.
    pub waiting: u64,
    /// Pictures of photos that the shop has not got.
    pub photos_waiting: u64,
    /// When the oldest of those records was written.
    pub oldest_waiting_ms: Option<i64>,
    /// Records in quarantine.
    pub quarantined: u64,
    /// Parts of the log kept on the shop's word, and not proved yet.
    pub unverified: u64,
    /// The last exchange.
    pub last_exchange_ms: Option<i64>,
    /// Shop time minus device time, as far as it is known.
    pub clock_offset_ms: Option<i64>,
    /// This device's clock now.
    pub now_ms: i64,
    /// The mark of the book's state now, for `moved`.
    pub mark: u64,
    /// How this device's private keys are kept.
    pub keys: KeysAtRest,
}

/// How a book's private keys are kept, as far as an opening knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Enum)]
pub enum KeysAtRest {
    /// In the book's file as they are: a copy of it can sign as this device.
    Clear,
    /// Sealed, with the key that this opening was handed.
    Sealed,
    /// Not got at by this opening: it reads, and signs nothing.
    Locked,
}
