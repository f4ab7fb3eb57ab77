//! Keys and signatures: a record in its signed envelope, a device's private keys, and the key that they are sealed with.

pub mod envelope;
pub mod keys;
pub mod storage_key;
