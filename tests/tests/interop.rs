//! Whether other people's libraries read our documents: a day played by the real programs, then every document of the shop saved
//! as Automerge has it, opened by npm's Automerge and its records verified by PyPI's `cwt`. `tests/interop/run` installs both.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use fixtures::demo::{Options, play};
use serde_json::json;
use sync_core::book::Book;
use sync_core::change::replica;
use sync_core::crypto::envelope;

fn top() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// Saves every document of a shop's book into a folder, with an index of what the book itself says of them.
fn hand_out(shop: &Path, folder: &Path) {
    let book = Book::open(shop, &mut |buffer: &mut [u8]| getrandom::fill(buffer).unwrap()).unwrap();
    let root = book.identity().unwrap().root;
    let mut documents = Vec::new();
    let mut kinds = BTreeMap::<String, usize>::new();
    for row in book.store().documents().all().unwrap() {
        let recipes: Vec<_> = book.store().log().changes_of(row.num).unwrap().into_iter().map(|change| change.recipe).collect();
        std::fs::write(folder.join(format!("{}.automerge", row.doc)), replica::save(row.doc, &recipes).unwrap()).unwrap();
        let mut ids = Vec::new();
        for bytes in recipes.iter().flat_map(|recipe| &recipe.records) {
            let record = envelope::decode_unverified(&bytes.0).unwrap().record;
            *kinds.entry(record.body.kind().to_owned()).or_default() += 1;
            ids.push(record.id);
        }
        documents.push(json!({ "doc": row.doc, "heads": row.heads, "changes": recipes.len(), "records": ids }));
    }
    assert!(documents.len() > 10, "a day has more documents than {}", documents.len());
    let index = json!({
        "shop": root.shop, "shop_device": root.device, "shop_key": root.key, "roster": root.shop.roster(),
        "documents": documents, "kinds": kinds,
    });
    std::fs::write(folder.join("index.json"), format!("{index:#}\n")).unwrap();
}

fn says(command: &mut Command) -> String {
    let ran = command.output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr));
    assert!(ran.status.success(), "{command:?}:\n{out}{err}");
    out.into_owned()
}

#[test]
#[ignore = "needs npm's Automerge and PyPI's cwt: tests/interop/install gets them"]
fn documents_and_records_are_read_by_other_libraries() {
    let folder = tempfile::tempdir().unwrap();
    let options = Options { folder: Some(folder.path().join("day")), five_o_clock_ms: None };
    let mut stage = play(&options, &mut std::io::sink()).unwrap();
    stage.stop_server();
    let out = folder.path().join("documents");
    std::fs::create_dir(&out).unwrap();
    hand_out(&stage.folder().join("shop/shop.db"), &out);

    let installed = top().join("target/interop");
    let documents = says(Command::new("node").arg(top().join("tests/interop/documents.mjs")).arg(&installed).arg(&out));
    let python = installed.join("venv/bin/python");
    let records = says(Command::new(python).arg(top().join("tests/interop/verify.py")).arg(&out).env_remove("PYTHONPATH"));
    println!("{documents}{records}");
    stage.close();
}
