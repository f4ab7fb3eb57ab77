// Every name that the page, the kit's scripts and these tests use is one that there is: a name that is read on one kind of phone alone is
// seen by no walk in a browser. TypeScript looks the names up; of what else it has to say nothing is asked.

import { readdirSync } from 'node:fs';
import { createRequire } from 'node:module';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

const ts = createRequire(import.meta.url)('typescript');

const here = path.dirname(fileURLToPath(import.meta.url));
const FOLDERS = [path.join(here, '../page'), here, path.join(here, '../../../sync-core/bindings/wasm')];
/** Names that are not there, and modules that do not give what is taken of them (TypeScript's numbers). */
const NO_SUCH_NAME = new Set([2304, 2305, 2503, 2552, 2580, 2614, 2724, 18004]);
/** What Node and a service worker have beside a page's own, and what the list of files hands to the service worker. */
const KNOWN = /^Cannot find name '(?:process|Buffer|importScripts|clients|LIST)'/;

/** What is named and is not there, each as a sentence. */
export function namesThatAreNot() {
  const scripts = FOLDERS.flatMap((folder) => readdirSync(folder, { recursive: folder.endsWith('page') })
    .filter((name) => /\.m?js$/.test(name)).map((name) => path.join(folder, name)));
  const options = {
    allowJs: true, checkJs: true, noEmit: true, strict: false, target: ts.ScriptTarget.ESNext, module: ts.ModuleKind.ESNext, types: [],
    moduleResolution: ts.ModuleResolutionKind.Bundler, lib: ['lib.esnext.d.ts', 'lib.dom.d.ts', 'lib.dom.iterable.d.ts', 'lib.dom.asynciterable.d.ts'],
  };
  const program = ts.createProgram(scripts, options);
  const wrong = program.getSourceFiles().filter((file) => scripts.includes(path.resolve(file.fileName))).flatMap((file) => program.getSemanticDiagnostics(file));
  return wrong.map((one) => ({ code: one.code, text: ts.flattenDiagnosticMessageText(one.messageText, ' '), one }))
    .filter(({ code, text }) => NO_SUCH_NAME.has(code) && !KNOWN.test(text))
    .map(({ text, one }) => `${path.relative(path.join(here, '../../..'), one.file.fileName)}:${one.file.getLineAndCharacterOfPosition(one.start).line + 1}: ${text}`);
}
