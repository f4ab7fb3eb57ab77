// The bytes of this phone's photos, in the origin's cache, by document and hash: kept before the photo is noted, and until the shop
// has had them for a week. The worker's.

const NAME = 'pictures';
/** No address that is ever asked for: the cache only wants its keys in that form. */
const addressOf = (doc, sha256) => `${self.location.origin}/phone/pictures/${doc}/${sha256}`;

/** A picture, or null where it is not here. */
export async function picture(doc, sha256) {
  const answer = await (await caches.open(NAME)).match(addressOf(doc, sha256));
  return answer ? answer.blob() : null;
}

/** Its bytes, or null. */
export async function bytesOf(doc, sha256) {
  const found = await picture(doc, sha256);
  return found && new Uint8Array(await found.arrayBuffer());
}

/** Lets a picture go. */
export async function drop(doc, sha256) {
  await (await caches.open(NAME)).delete(addressOf(doc, sha256));
}

/** Notes a photo once under a key, its picture first: a record of a picture that is nowhere would say too much. */
export async function addPhoto(kit, key, doc, bytes, caption) {
  const hash = new Uint8Array(await crypto.subtle.digest('SHA-256', bytes));
  const sha256 = [...hash].map((byte) => byte.toString(16).padStart(2, '0')).join('');
  const before = await picture(doc, sha256);
  await (await caches.open(NAME)).put(addressOf(doc, sha256), new Response(bytes));
  try {
    return JSON.parse(kit.addPhoto(key, doc, bytes, caption));
  } catch (error) {
    // What was refused is not kept; what was noted before stays.
    if (!before) await drop(doc, sha256);
    throw error;
  }
}
