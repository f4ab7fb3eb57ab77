//! Writes the kit's Kotlin, Swift and Python from the built library: `uniffi-bindgen` of exactly the version that built it.

fn main() {
    uniffi::uniffi_bindgen_main();
}
