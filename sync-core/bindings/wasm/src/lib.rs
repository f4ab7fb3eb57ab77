//! The kit in a browser: the façade behind wasm-bindgen, with its SQLite in the origin's private files.
//!
//! For a dedicated worker: the files are only open to one. `worker.js` beside this crate is the only caller; pages go
//! through `kit.js`. What goes in and out is JSON, and bytes where bytes are meant. A step that fails throws a string: JSON
//! of `{code, sentence, shop_time_ms, damaged}`.

mod ask;
// What the vectors' exchange is made with; the vectors are made anew here.
#[cfg(feature = "vectors")]
#[path = "../../../../fixtures/src/forge.rs"]
#[expect(unreachable_pub, reason = "a file of another crate's")]
mod forge;
mod here;
#[cfg(feature = "vectors")]
mod vectors;

use std::path::Path;

use serde::Serialize;
use shared::bytes::Bytes32;
use shared::ids::DocId;
use shared::problem::Code;
use sqlite_wasm_vfs::sahpool::{OpfsSAHPoolCfgBuilder, install};
use sync_core::book::pictures::named;
use tappet_kit::{Call, Kit, KitError, StorageKey};
use wasm_bindgen::prelude::wasm_bindgen;
use zeroize::Zeroizing;

/// SQLite's name for the file layer.
const FILES: &str = "opfs-pool";
/// The folder of it in the origin's private files.
const FOLDER: &str = "tappetbook";
/// Files that the layer holds ready: the book, its log, and what SQLite needs beside them for a moment.
const HANDLES: u32 = 8;

/// An error as it is thrown.
type Thrown = String;

/// Runs first.
#[wasm_bindgen(start)]
fn start() {
    here::tell_of_panics();
}

/// An open book.
#[wasm_bindgen]
pub struct OpenKit {
    kit: Kit,
}

/// A request to the shop's server.
#[wasm_bindgen(getter_with_clone)]
pub struct Outgoing {
    /// The method.
    pub method: String,
    /// The path under the server's address.
    pub path: String,
    /// The header fields, as JSON of pairs.
    pub headers: String,
    /// The body.
    pub body: Vec<u8>,
}

#[wasm_bindgen]
impl OpenKit {
    /// Opens the book of a name in the origin's private files, making an empty one where there is none; with its storage key of 32
    /// bytes where the browser keeps one. A book whose private keys that does not open is opened without them, as its status then
    /// says: what is in it must stay readable, and what is unsent be saved.
    pub async fn open(name: String, key: Option<Vec<u8>>) -> Result<OpenKit, Thrown> {
        install_files().await?;
        let path = Path::new(&name);
        let opened = match key.map(Zeroizing::new) {
            None => Kit::open_on(path, FILES, here::surroundings()),
            Some(key) => StorageKey::try_from(key.as_slice())
                .map_err(|e| KitError::Given(e.to_string()))
                .and_then(|key| Kit::open_on_with_key(path, FILES, key, here::surroundings())),
        };
        let opened = match opened {
            Err(error) if [Code::BookSealed.name(), Code::KeyWrong.name()].contains(&error.code()) => {
                here::complain(&error.sentence());
                Kit::open_on_without_keys(path, FILES, here::surroundings())
            }
            other => other,
        };
        opened.map(|kit| Self { kit }).map_err(|e| thrown(&e))
    }

    /// A book in memory, gone with the worker.
    #[wasm_bindgen(js_name = inMemory)]
    pub fn in_memory() -> Result<OpenKit, Thrown> {
        Kit::in_memory(here::surroundings()).map(|kit| Self { kit }).map_err(|e| thrown(&e))
    }

    /// Asks the kit by a name, with its arguments as a JSON list; gives JSON.
    pub fn ask(&mut self, name: &str, arguments: &str) -> Result<String, Thrown> {
        ask::ask(&mut self.kit, name, arguments).map_err(|e| thrown(&e))
    }

    /// Asks the kit for a step under a key that was drawn for it: under the same key it is done once, and answered alike.
    #[wasm_bindgen(js_name = askOnce)]
    pub fn ask_once(&mut self, key: &str, name: &str, arguments: &str) -> Result<String, Thrown> {
        self.kit.once(key, |kit| ask::ask(kit, name, arguments)).map_err(|e| thrown(&e))
    }

    /// The request to enrol.
    #[wasm_bindgen(js_name = enrolCall)]
    pub fn enrol_call(&mut self, code: &str, device_name: &str) -> Result<Outgoing, Thrown> {
        outgoing(self.kit.enrol_call(code, device_name))
    }

    /// Takes its answer; gives JSON of it.
    pub fn enrolled(&mut self, status: u16, body: &[u8], server: &str) -> Result<String, Thrown> {
        said(self.kit.enrolled(status, body, server))
    }

    /// Whether a log-in must come before the next exchange.
    #[wasm_bindgen(js_name = needsLogIn)]
    pub fn needs_log_in(&mut self) -> bool {
        self.kit.needs_log_in()
    }

    /// The token of the log-in, where there is one.
    pub fn token(&mut self) -> Option<String> {
        self.kit.token().map(str::to_owned)
    }

    /// The request to log in.
    #[wasm_bindgen(js_name = logInCall)]
    pub fn log_in_call(&mut self) -> Result<Outgoing, Thrown> {
        outgoing(self.kit.log_in_call())
    }

    /// Takes its answer: `"done"`, or `"again"` where the clock was off and is known now.
    #[wasm_bindgen(js_name = loggedIn)]
    pub fn logged_in(&mut self, status: u16, body: &[u8]) -> Result<String, Thrown> {
        said(self.kit.logged_in(status, body))
    }

    /// The next half of an exchange.
    #[wasm_bindgen(js_name = exchangeCall)]
    pub fn exchange_call(&mut self, hand_over_only: bool) -> Result<Outgoing, Thrown> {
        outgoing(self.kit.exchange_call(hand_over_only))
    }

    /// Takes its answer; gives JSON of the report.
    pub fn exchanged(&mut self, status: u16, body: &[u8]) -> Result<String, Thrown> {
        said(self.kit.exchanged(status, body))
    }

    /// What is unsent, as the bytes of bundles.
    #[wasm_bindgen(js_name = exportUnsent)]
    pub fn export_unsent(&mut self) -> Result<Vec<js_sys::Uint8Array>, Thrown> {
        self.kit.export_unsent().map(|made| files(&made.bundles)).map_err(|e| thrown(&e))
    }

    /// Takes a bundle in; gives JSON of what that did.
    #[wasm_bindgen(js_name = takeBundle)]
    pub fn take_bundle(&mut self, bytes: &[u8]) -> Result<String, Thrown> {
        said(self.kit.take_bundle(bytes))
    }

    /// Notes a photo by the hash of its bytes, once under a key as [`OpenKit::ask_once`]; gives JSON of the record and the hash.
    #[wasm_bindgen(js_name = addPhoto)]
    pub fn add_photo(&mut self, key: &str, doc: &str, bytes: &[u8], caption: &str) -> Result<String, Thrown> {
        let doc = document(doc)?;
        let noted = self.kit.once(key, |kit| {
            let (record, sha256) = kit.add_photo(doc, bytes, caption)?;
            ask::said(serde_json::json!({ "record": record, "sha256": sha256 }))
        });
        noted.map_err(|e| thrown(&e))
    }

    /// The request that brings the bytes of a photo to the shop.
    #[wasm_bindgen(js_name = photoCall)]
    pub fn photo_call(&mut self, doc: &str, sha256: &str, bytes: &[u8]) -> Result<Outgoing, Thrown> {
        let (doc, sha256) = (document(doc)?, hash(sha256)?);
        outgoing(self.kit.photo_call(doc, sha256, bytes))
    }

    /// Takes its answer.
    #[wasm_bindgen(js_name = photoSent)]
    pub fn photo_sent(&mut self, doc: &str, sha256: &str, status: u16, body: &[u8]) -> Result<(), Thrown> {
        let (doc, sha256) = (document(doc)?, hash(sha256)?);
        self.kit.photo_sent(doc, sha256, status, body).map_err(|e| thrown(&e))
    }
}

/// Holds a file of conformance vectors against this very build; gives how many cases it looked at, or throws which one failed.
#[cfg(feature = "vectors")]
#[wasm_bindgen(js_name = checkVectors)]
pub fn check_vectors(name: &str, text: &str) -> Result<usize, Thrown> {
    vectors::check(name, text)
}

/// What was saved of a damaged book.
#[wasm_bindgen(getter_with_clone)]
pub struct Saved {
    /// The bundles' bytes.
    pub bundles: Vec<js_sys::Uint8Array>,
    /// The counts, as JSON.
    pub counts: String,
}

/// Of a book that does not open because it is damaged, what can still be read and is not at the shop. No kit may have it open.
#[wasm_bindgen]
pub async fn salvage(name: String) -> Result<Saved, Thrown> {
    install_files().await?;
    let saved = tappet_kit::salvage_on(Path::new(&name), FILES, &mut *here::surroundings()).map_err(|e| thrown(&e))?;
    let tappet_kit::Salvaged { bundles, documents, changes, quarantined, unreadable } = saved;
    let counts = serde_json::json!({ "documents": documents, "changes": changes, "quarantined": quarantined, "unreadable": unreadable });
    Ok(Saved { bundles: files(&bundles), counts: counts.to_string() })
}

/// SQLite's file layer over the origin's private files; once in a worker, however often it is asked for.
async fn install_files() -> Result<(), Thrown> {
    let config = OpfsSAHPoolCfgBuilder::new().vfs_name(FILES).directory(FOLDER).initial_capacity(HANDLES).build();
    let layer = install::<sqlite_wasm_rs::WasmOsCallback>(&config, false).await;
    layer.map(|_| ()).map_err(|e| here::thrown("book-unwritable", &format!("The browser gives no room for the book here ({e}).")))
}

fn files(bundles: &[Vec<u8>]) -> Vec<js_sys::Uint8Array> {
    bundles.iter().map(|bytes| js_sys::Uint8Array::from(bytes.as_slice())).collect()
}

fn outgoing(call: Result<Call, KitError>) -> Result<Outgoing, Thrown> {
    let call = call.map_err(|e| thrown(&e))?;
    let headers = serde_json::json!(call.headers).to_string();
    Ok(Outgoing { method: call.method.to_owned(), path: call.path.into_owned(), headers, body: call.body })
}

fn document(text: &str) -> Result<DocId, Thrown> {
    text.parse().map_err(|_| thrown(&KitError::Given(format!("\"{text}\" is no document's id"))))
}

fn hash(text: &str) -> Result<Bytes32, Thrown> {
    named(text).ok_or_else(|| thrown(&KitError::Given(format!("\"{text}\" is no SHA-256 in 64 hexadecimal digits"))))
}

fn said<T: Serialize>(result: Result<T, KitError>) -> Result<String, Thrown> {
    result.and_then(ask::said).map_err(|e| thrown(&e))
}

fn thrown(error: &KitError) -> Thrown {
    let (code, sentence, shop_time_ms, damaged) = (error.code(), error.sentence(), error.shop_time_ms(), error.is_damage());
    serde_json::json!({ "code": code, "sentence": sentence, "shop_time_ms": shop_time_ms, "damaged": damaged }).to_string()
}
