// Damaging the book that a browser keeps: the page of its file with the list of documents is written over, without which it does not open.
// The log is whole, and names the documents too.

/** In the page: has all of the book in its one file. To save needs a closed book, damaged or not. */
async function rest({ kitAt, name }) {
  const { openKit } = await import(kitAt);
  await (await openKit(name)).salvage();
}

/** In the page: writes over that page. */
async function damage({ name }) {
  /** The file layer's head before the database. */
  const HEAD = 4096;
  const files = [];
  const gather = async (folder) => {
    for await (const entry of folder.values()) {
      if (entry.kind === 'directory') await gather(entry);
      else files.push(entry);
    }
  };
  await gather(await (await navigator.storage.getDirectory()).getDirectoryHandle('tappetbook'));
  for (const file of files) {
    const text = Array.from(new Uint8Array(await (await file.getFile()).arrayBuffer()), (byte) => String.fromCharCode(byte)).join('');
    if (text.slice(0, text.indexOf('\0')).replace(/^\//, '') !== name) continue;
    // A table's entry in the database's schema: its kind, its name twice, the number of its first page, how it was made.
    const [, number] = /tabledocumentsdocuments([^]{1,3}?)CREATE TABLE/.exec(text);
    const page = [...number].reduce((sum, digit) => sum * 256 + digit.charCodeAt(0), 0);
    const writing = await file.createWritable({ keepExistingData: true });
    const size = text.charCodeAt(HEAD + 16) * 256 + text.charCodeAt(HEAD + 17);
    await writing.write({ type: 'write', position: HEAD + (page - 1) * size, data: new Uint8Array(size).fill(0xa5) });
    await writing.close();
    return;
  }
  throw new Error('the book is in no file');
}

/** Damages the book of an origin. `begin` starts the browser anew, since a worker that has gone may have its files still, and gives a tab in
 * which no book is open; `kitAt`: where kit.js is. Leaves the browser as it was started last. */
export async function damageBook(begin, kitAt, name = 'book.db') {
  await (await begin()).evaluate(rest, { kitAt, name });
  const tab = await begin();
  await tab.evaluate(damage, { name });
  await tab.close();
}
