// Puts page, kit and the decoder of QR codes into built/, lists what is there with the hash of each file's content, and compresses each file.

import { createHash } from 'node:crypto';
import { cpSync, mkdirSync, readdirSync, readFileSync, renameSync, rmSync, writeFileSync } from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { brotliCompressSync, constants, gzipSync } from 'node:zlib';

const here = path.dirname(fileURLToPath(import.meta.url));
const kit = path.resolve(here, '../../sync-core/bindings/wasm');
const [page, built, fresh] = ['page', 'built', 'built.new'].map((name) => path.join(here, name));
/** The worker script and its list cannot be in the list: a browser keeps them itself, and looks for newer ones. */
const NOT_LISTED = new Set(['sw.js', 'list.js']);

rmSync(fresh, { recursive: true, force: true });
cpSync(page, fresh, { recursive: true });
mkdirSync(path.join(fresh, 'kit/pkg'), { recursive: true });
for (const file of ['kit.js', 'worker.js', 'keeper.js', 'shop.js', 'pictures.js', 'pkg/size.js', 'pkg/tappet_kit.js', 'pkg/tappet_kit_bg.wasm']) {
  cpSync(path.join(kit, file), path.join(fresh, 'kit', file));
}

// What reads QR codes where the browser has nothing of its own: a script of the old form, made a module. Its licence goes with it.
const decoder = path.join(here, 'node_modules/jsqr');
mkdirSync(path.join(fresh, 'decoder'));
const licence = readFileSync(path.join(decoder, 'LICENSE'), 'utf8').replaceAll('*/', '* /');
const script = readFileSync(path.join(decoder, 'dist/jsQR.js'), 'utf8');
writeFileSync(path.join(fresh, 'decoder/jsqr.js'), `/* jsQR, under this licence:\n${licence}*/\nconst module = { exports: {} };\nconst exports = module.exports;\n${script}\nexport default module.exports;\n`);

const names = readdirSync(fresh, { recursive: true, withFileTypes: true }).filter((one) => one.isFile())
  .map((one) => path.relative(fresh, path.join(one.parentPath ?? one.path, one.name))).sort();
const hash = (bytes) => createHash('sha256').update(bytes).digest('hex');
const files = names.filter((name) => !NOT_LISTED.has(name)).map((name) => ({ path: name, sha256: hash(readFileSync(path.join(fresh, name))) }));
const version = hash(JSON.stringify(files) + readFileSync(path.join(fresh, 'sw.js'))).slice(0, 16);
writeFileSync(path.join(fresh, 'list.js'), `// The files of the page, each with the hash of its content. Written by gather.mjs.\nself.LIST = ${JSON.stringify({ version, files })};\n`);

/** Compressed as small as it goes; taken over from the last time where the file is the same, since that takes seconds. */
function compressed(name, bytes) {
  const before = (ending) => {
    try {
      return readFileSync(path.join(built, name)).equals(bytes) ? readFileSync(path.join(built, name + ending)) : null;
    } catch {
      return null;
    }
  };
  const params = { [constants.BROTLI_PARAM_QUALITY]: 11, [constants.BROTLI_PARAM_LGWIN]: 24, [constants.BROTLI_PARAM_SIZE_HINT]: bytes.length };
  return { '.br': before('.br') ?? brotliCompressSync(bytes, { params }), '.gz': before('.gz') ?? gzipSync(bytes, { level: 9 }) };
}

const sum = { plain: 0, '.br': 0, '.gz': 0 };
for (const name of [...names, 'list.js']) {
  const bytes = readFileSync(path.join(fresh, name));
  sum.plain += bytes.length;
  for (const [ending, packed] of Object.entries(compressed(name, bytes))) {
    // What does not get smaller travels plain.
    if (packed.length < bytes.length) writeFileSync(path.join(fresh, name + ending), packed);
    sum[ending] += Math.min(packed.length, bytes.length);
  }
}
rmSync(built, { recursive: true, force: true });
renameSync(fresh, built);
console.log(`build: server/phone/built, version ${version}: ${names.length + 1} files, ${sum.plain} bytes, ${sum['.br']} with brotli, ${sum['.gz']} with gzip`);
