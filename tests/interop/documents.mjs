// The npm library @automerge/automerge opens every document that the shop handed out, and reads `records`.
//
// Usage: node documents.mjs MODULES FOLDER. In FOLDER: index.json and a saved document each. Writes records.json beside them:
// document id -> record id -> signed bytes in hexadecimal, for verify.py. Ends with 1 and a sentence where something is not so.
import { readFileSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const [modules, folder] = process.argv.slice(2);
const automerge = await import(pathToFileURL(createRequire(`${modules}/`).resolve("@automerge/automerge")));
const index = JSON.parse(readFileSync(`${folder}/index.json`, "utf8"));
const sorted = (list) => [...list].sort();

function insist(holds, what) {
  if (!holds) {
    console.error(what);
    process.exit(1);
  }
}

const found = {};
let changes = 0;
for (const said of index.documents) {
  const document = automerge.load(readFileSync(`${folder}/${said.doc}.automerge`));
  insist(Object.keys(document).join() === "records", `${said.doc} holds something else than records`);
  const ids = Object.keys(document.records);
  insist(sorted(ids).join() === sorted(said.records).join(), `${said.doc}: ${ids.length} records read, ${said.records.length} in our book`);
  const heads = automerge.getHeads(document);
  insist(sorted(heads).join() === sorted(said.heads).join(), `${said.doc}: the heads are not ours`);
  const history = automerge.getAllChanges(document);
  insist(history.length === said.changes + 1, `${said.doc}: ${history.length} changes, and not our ${said.changes} and the first`);
  // Built from its changes alone, by the other library, it is the same document.
  const [again] = automerge.applyChanges(automerge.init(), history);
  insist(sorted(automerge.getHeads(again)).join() === sorted(said.heads).join(), `${said.doc}: other heads when built again`);
  found[said.doc] = {};
  for (const id of ids) {
    const bytes = document.records[id];
    insist(bytes instanceof Uint8Array, `${id} is not a byte string`);
    insist(automerge.getConflicts(document.records, id) === undefined, `${id} is there twice`);
    found[said.doc][id] = Buffer.from(bytes).toString("hex");
  }
  changes += history.length;
}
writeFileSync(`${folder}/records.json`, JSON.stringify(found));
const { version } = JSON.parse(readFileSync(`${modules}/node_modules/@automerge/automerge/package.json`, "utf8"));
console.log(`@automerge/automerge ${version}: ${index.documents.length} documents of ${changes} changes, heads as ours`);
