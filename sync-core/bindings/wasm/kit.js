// The kit for a page: promises over the worker that has the book. Everything a page needs of Tappetbook is a method here.

/** What went wrong: decide by `code`, show `message`. */
export class KitError extends Error {
  /** Where the book is damaged: its kit, of which `salvage`, `saveDamaged` and `close` still work. Else null. */
  kit = null;

  constructor({ code, sentence, shop_time_ms: shopTimeMs }) {
    super(sentence);
    this.name = 'KitError';
    this.code = code;
    this.shopTimeMs = shopTimeMs ?? null;
  }
}

/** Has the person save files: the second and later ones have a number. */
function saveFiles(files, fileName) {
  for (const [n, bytes] of files.entries()) {
    const link = document.createElement('a');
    link.href = URL.createObjectURL(new Blob([bytes], { type: 'application/octet-stream' }));
    link.download = n ? fileName.replace(/(\.[^.]*)?$/, `-${n + 1}$1`) : fileName;
    link.click();
    setTimeout(() => { URL.revokeObjectURL(link.href); }, 60_000);
  }
  return { files: files.length, bytes: files.reduce((sum, one) => sum + one.length, 0) };
}

/** The façade's methods that are asked as they are: `worker.js` hands them to the engine. */
const ASKED = [
  'cautions', 'round', 'roundPage', 'property', 'properties', 'due', 'duePage', 'engineCards', 'toTakeBack', 'findMachine', 'machine', 'history', 'contested', 'slot', 'quarantine', 'quarantined', 'moved',
  'verify', 'unit', 'setUnit', 'leaves', 'setLeaves', 'readLength', 'showLength', 'remembered', 'remember', 'openVisit', 'openVisitOf',
  'resumeVisit', 'ownVisit', 'visitToGoOnWith', 'handOver', 'takeUp', 'symptoms', 'symptom', 'lesson', 'lessonFigure', 'guide', 'firstLeaf', 'trial', 'takeReading', 'readHours', 'changeMeter', 'addFinding', 'clearFinding', 'addNote', 'addPhoto', 'picture',
  'photosDue', 'ownPhotos',
  'leftOpen', 'finishVisit', 'signOff', 'addMachine', 'void', 'enrol', 'exchange', 'token', 'unsent', 'salvage', 'takeBundle', 'verifyDeferred', 'tidy',
];

/** The open book of this origin. Make one with `openKit`. */
export class Kit {
  #worker;
  #waiting = new Map();
  #next = 1;
  #persistent = false;
  /** Where the book is open: `here`, or `elsewhere` in another tab, which then answers for this one. */
  has = 'opening';
  /** Called with what moved in the book, whoever moved it: draw that anew. */
  onmoved = null;
  /** Called when the book is this tab's, or another's: `here`, `elsewhere`. */
  onhas = null;
  /** Called while the kit itself is loaded, with the bytes that are here and all of them. */
  onloading = null;
  /** While this book is filled for the first time: the bytes and the machines that are here, and how many machines there are, where that is
   * known. Else null. */
  filling = null;

  constructor(worker) {
    this.#worker = worker;
    worker.onmessage = ({ data }) => { this.#hear(data); };
    worker.onerror = ({ message }) => {
      this.#fail({ code: 'defect', sentence: `The kit could not be loaded (${message}). Load the page again.` });
    };
  }

  /** Opens the book. */
  static async open(name, { onloading = null } = {}) {
    const worker = new Worker(new URL('./worker.js', import.meta.url), { type: 'module', name: 'tappetbook' });
    const kit = new Kit(worker);
    kit.onloading = onloading;
    const opened = new Promise((resolve, reject) => { kit.#waiting.set(0, { resolve, reject }); });
    worker.postMessage({ book: name });
    try {
      await opened;
    } catch (error) {
      // What is not opened is not held either; of a damaged book something can still be saved.
      if (!error.kit) worker.terminate();
      throw error;
    }
    kit.#askToPersist();
    return kit;
  }

  /** A browser may throw away what an origin keeps, unless it has said that it does not. One that asks the person first may never answer:
   * nothing waits for it. */
  #askToPersist() {
    const answered = (persistent) => {
      if (persistent === this.#persistent) return;
      this.#persistent = persistent;
      this.onmoved?.({ mark: 0, everything: true, documents: [] });
    };
    navigator.storage?.persist?.().then(answered, () => {});
  }

  #hear(data) {
    if (data.loading) {
      this.onloading?.(data.loading);
    } else if ('filling' in data) {
      this.filling = data.filling;
      this.onmoved?.({ mark: 0, everything: true, documents: [] });
    } else if (data.moved) {
      this.onmoved?.(data.moved);
    } else if (data.has) {
      this.has = data.has;
      this.#settle(0, { said: data.has });
      this.onhas?.(data.has);
    } else if (data.failed) {
      this.#fail(data.failed);
    } else {
      this.#settle(data.id, data);
    }
  }

  #settle(id, { said, error }) {
    const waiting = this.#waiting.get(id);
    this.#waiting.delete(id);
    if (error) waiting?.reject(this.#error(error));
    else waiting?.resolve(said);
  }

  #error(told) {
    const error = new KitError(told);
    if (told.damaged) error.kit = this;
    return error;
  }

  #fail(error) {
    for (const id of [...this.#waiting.keys()]) this.#settle(id, { error });
  }

  /** Asks the kit by the name of a method. */
  ask(name, ...given) {
    const id = this.#next;
    this.#next += 1;
    return new Promise((resolve, reject) => {
      this.#waiting.set(id, { resolve, reject });
      this.#worker.postMessage({ id, ask: name, given });
    });
  }

  /** How this device and its book are, and whether the browser has promised not to throw it away. */
  async status() {
    const status = await this.ask('status');
    return { ...status, has: this.has, persistent: this.#persistent, warn: (status.waiting ?? 0) + (status.photos_waiting ?? 0) > 0 };
  }

  /** Saves what the shop does not have yet to a file of the person's, or to several where one would be too large, for the office or another
   * phone to take in. */
  async saveUnsent(fileName = 'tappetbook-unsent.bundle') {
    return saveFiles(await this.unsent(), fileName);
  }

  /** Closes a damaged book, and saves what can still be read of it and was not handed over to files of the person's. Gives how much that is. */
  async saveDamaged(fileName = 'tappetbook-saved.bundle') {
    const { bundles, ...counts } = await this.salvage();
    return { ...counts, ...saveFiles(bundles, fileName) };
  }

  /** Ends the worker: the book is free for another tab. */
  close() {
    this.#worker.terminate();
    this.#fail({ code: 'closed', sentence: 'The book was closed. Open it again.' });
  }
}

for (const name of ASKED) {
  Kit.prototype[name] = function asked(...given) {
    return this.ask(name, ...given);
  };
}

/** Opens the book of this origin. `:memory:` is a book that is gone with the page. */
export function openKit(name = 'book.db', how = {}) {
  return Kit.open(name, how);
}
