//! The browser around the kit: its clocks, its randomness, its console.

#![expect(clippy::disallowed_methods, reason = "this is where the browser is asked")]

use shared::bytes::Bytes16;
use sync_core::sys::clock::ClockReading;
use tappet_kit::Surroundings;
use wasm_bindgen::prelude::wasm_bindgen;

#[wasm_bindgen]
extern "C" {
    #[wasm_bindgen(js_namespace = performance, js_name = now)]
    fn steady_ms() -> f64;
    #[wasm_bindgen(js_namespace = console, js_name = error)]
    /// Says something on the console.
    pub(crate) fn complain(text: &str);
}

/// A browser's clocks and randomness.
struct Browser {
    /// A page's steady clock ends with it, so every opening counts as another boot.
    opening: Bytes16,
}

/// The surroundings of this worker.
pub(crate) fn surroundings() -> Box<dyn Surroundings> {
    let mut opening = [0; 16];
    fill(&mut opening);
    Box::new(Browser { opening: Bytes16(opening) })
}

impl Surroundings for Browser {
    fn now(&mut self) -> ClockReading {
        ClockReading { wall_ms: whole(js_sys::Date::now()), steady_ms: whole(steady_ms()), boot: self.opening }
    }

    fn fill(&mut self, buffer: &mut [u8]) {
        fill(buffer);
    }
}

/// Random bytes of the browser's. Without them there are no keys and no ids: a source that fails ends the worker.
fn fill(buffer: &mut [u8]) {
    if getrandom::fill(buffer).is_err() {
        complain("This browser gives no random bytes, and so there can be no keys. Nothing was kept.");
        std::process::abort();
    }
}

/// A count of milliseconds; what is no number counts as 0.
#[expect(clippy::cast_possible_truncation, reason = "a float becomes the nearest whole number in range")]
fn whole(ms: f64) -> i64 {
    ms as i64
}

/// Says on the console why the program stopped, where it does. A panic ends the worker: what was kept before is kept.
pub(crate) fn tell_of_panics() {
    std::panic::set_hook(Box::new(|info| complain(&format!("tappet-kit: {info}"))));
}

/// An error that is not the kit's, as it is thrown.
pub(crate) fn thrown(code: &str, sentence: &str) -> String {
    serde_json::json!({ "code": code, "sentence": sentence, "shop_time_ms": null }).to_string()
}
