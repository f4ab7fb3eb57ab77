//! Bytes read as decisions: what a fuzzer turns at is which edit is made, where, and with what value.

/// A tape of bytes. Past its end every decision is nought, so that any cut of it is a tape too.
#[derive(Debug, Clone)]
pub(crate) struct Script<'a>(&'a [u8]);

impl<'a> Script<'a> {
    pub(crate) const fn of(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    pub(crate) const fn is_done(&self) -> bool {
        self.0.is_empty()
    }

    pub(crate) fn byte(&mut self) -> u8 {
        match self.0.split_first() {
            Some((first, rest)) => {
                self.0 = rest;
                *first
            }
            None => 0,
        }
    }

    pub(crate) fn flag(&mut self) -> bool {
        self.byte() & 1 == 1
    }

    /// One of `count` things; nought where there is none to choose.
    pub(crate) fn pick(&mut self, count: usize) -> usize {
        usize::from(self.byte()).checked_rem(count).unwrap_or(0)
    }

    /// A number: small, at an edge, or any.
    pub(crate) fn number(&mut self) -> i64 {
        match self.byte() {
            small @ 0..=99 => i64::from(small),
            100 => -1,
            101 => i64::MAX,
            102 => i64::MIN,
            103 => i64::from(u32::MAX),
            104 => 1 << 30,
            105 => (1 << 30) - 1,
            106 => 32_503_680_000_000,
            107 => 1_780_293_600_000,
            108..=150 => i64::from(self.byte()) - 128,
            151..=200 => i64::from(i16::from_le_bytes(self.array())),
            _ => i64::from_le_bytes(self.array()),
        }
    }

    pub(crate) fn array<const N: usize>(&mut self) -> [u8; N] {
        std::array::from_fn(|_| self.byte())
    }

    /// A run of bytes, its length first.
    pub(crate) fn run(&mut self) -> &'a [u8] {
        let long = usize::from(self.byte()).min(self.0.len());
        let (run, rest) = self.0.split_at(long);
        self.0 = rest;
        run
    }

    pub(crate) fn text(&mut self) -> String {
        String::from_utf8_lossy(self.run()).into_owned()
    }

    pub(crate) const fn rest(&self) -> &'a [u8] {
        self.0
    }
}
