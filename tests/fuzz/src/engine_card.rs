//! To come.

pub fn once(_bytes: &[u8]) {}
