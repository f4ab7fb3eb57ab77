// Damaging the book that a browser keeps: in the browser's own files, while it is not running. The page of the book's file with the list of
// documents is written over, without which it does not open. The log is whole, and names the documents too.

import assert from 'node:assert/strict';
import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import path from 'node:path';

/** Has all of a tab's book in its one file. To save needs a closed book, damaged or not. */
export const putToRest = (tab, kitAt) => tab.evaluate(async (at) => {
  const { openKit } = await import(at);
  await (await openKit()).salvage();
}, kitAt);

/** The file layer's head before a database. */
const HEAD = 4096;

/** Damages the book in the profile of a browser that is closed. */
export function damageBook(profile, name = 'book.db') {
  const all = readdirSync(profile, { recursive: true, withFileTypes: true }).filter((one) => one.isFile());
  const files = all.map((one) => path.join(one.parentPath ?? one.path, one.name));
  const file = files.find((one) => readFileSync(one).subarray(0, name.length + 2).toString('latin1').replace(/^\//, '').startsWith(`${name}\0`));
  assert.ok(file, 'the book is in no file');
  const bytes = readFileSync(file);
  // A table's entry in the database's schema: its kind, its name twice, the number of its first page, how it was made.
  const [, number] = /tabledocumentsdocuments([^]{1,3}?)CREATE TABLE/.exec(bytes.toString('latin1'));
  const page = [...number].reduce((sum, digit) => sum * 256 + digit.charCodeAt(0), 0);
  const size = bytes.readUInt16BE(HEAD + 16);
  bytes.fill(0xa5, HEAD + (page - 1) * size, HEAD + page * size);
  writeFileSync(file, bytes);
}
