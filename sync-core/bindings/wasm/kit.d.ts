// Types of kit.js. What the engine gives is its own JSON: ids are UUIDs as text, lengths whole tenths of a micrometre, hours
// whole tenths, times ms since 1970 UTC. Fields that are not here may come; those that are, do (test/types.ts, test/shapes.mjs).

export type Id = string;
export type Unit = 'thou' | 'in' | 'mm';
export type Stage = 'found' | 'set' | 'left';
/** `1I`, `1E`, `2I`, `2E`. */
export type Valve = string;
export type Role = 'lead' | 'tech' | 'helper' | 'office';
export type Grade = 'watch' | 'hold';

export type Verdict =
  | { verdict: 'in-spec' } | { verdict: 'tight' } | { verdict: 'loose' }
  | { verdict: 'not-settled'; why: Why };
export type Why = 'leaf-edge' | 'not-cold' | 'no-source' | 'no-range' | 'hydraulic' | 'no-such-valve' | 'no-reading' | 'leaf-too-thick';
/** So far off that `next` says what is looked at before anything is turned, and the valve is read again. */
export type Gross = 'far-loose' | 'far-tight' | 'nothing-goes' | 'none-went';
export interface Feeler { thickness_tenth_um: number; leaves_tenth_um: number[] }
export interface NextLeaf { feeler: Feeler; settles: boolean; if_enters: Verdict; if_refused: Verdict }
export interface Bracket { go_tenth_um?: number; no_go_tenth_um?: number }
export interface Range { low_tenth_um: number; high_tenth_um: number; aim_tenth_um?: number }
/** Above zero tightens and closes the clearance. A sixth is a flat of a hex nut. */
export interface Turn {
  degrees_milli: number; sixths_hundredth: number; closes: boolean;
  /** On a right-hand thread, looking at the end that is turned; the other way on a left-hand thread. */
  right_hand: 'clockwise' | 'counter-clockwise';
}
/** Between which two turns the aim lies, as far as the two leaves tell. */
export interface TurnRange { least: Turn; most: Turn }
/** A length as it was understood; `inches` says that it was taken for inches, to be shown beside the entry. */
export interface LengthRead { tenth_um: number; inches?: string }
export interface Leaves { own: boolean; set: { leaves_tenth_um: number[] }; words: string[]; unit: Unit; /** What of the entry was taken for inches, in a sentence. */ inches?: string }
export interface Interval { hours?: number; months?: number }
/** How the manual says a range: one figure, or a figure with its tolerance; absent where it names both ends. */
export type Said = 'figure' | 'tolerance';
export interface EngineCard {
  card: Id; name: string; cylinders: number; hydraulic?: true; intake?: Range; exhaust?: Range; intake_said?: Said; exhaust_said?: Said;
  source?: { manual: string; page: string };
  commercial: Interval; homeowner: Interval; past_tdc_tenth_um?: number; past_tdc_tenth_deg?: number;
  adjuster?: { thread: unknown; rocker: 'rocker-stud-nut' | 'push-rod-end-screw' | 'valve-end-screw'; ratio_milli: number };
  firing?: { order: number[]; degrees: number[] }; ignition?: 'spark' | 'compression'; far_tenths?: number;
}

export interface Status {
  enrolled: boolean; now_ms: number; mark: number;
  /**
   * How the device's private keys are kept: sealed under a key of the browser's that no script can take out; in the clear, where it
   * keeps none; or sealed and that key gone, so that the book is only read, what is unsent saved, and all else refused (`book-sealed`).
   */
  keys: 'sealed' | 'clear' | 'locked';
  /** From here on absent before enrolment. */
  shop?: string; person?: string; role?: Role | null; server?: string; records?: number;
  /** The person may measure; may sign a visit off. */
  measures?: boolean; signs_off?: boolean;
  /** The shop's time zone by its name: say times on that clock. */
  time_zone?: string;
  /** Machines in the book. */
  machines?: number;
  /** Records that lack the shop's receipt. */
  waiting?: number;
  /** Pictures of photos that are on this phone alone. */
  photos_waiting?: number;
  oldest_waiting_ms?: number | null; quarantined?: number; unverified?: number;
  last_exchange_ms?: number | null; clock_offset_ms?: number | null;
  /** Where the book is open: in this tab or another, which then answers for it. */
  has: 'opening' | 'here' | 'elsewhere';
  /** The browser has promised not to throw the book away when it wants room. */
  persistent: boolean;
  /** A record or a picture is on this phone alone. Say so, and offer `saveUnsent`, which has the records. */
  warn: boolean;
}
export interface MonthDay { month: number; day: number }
export interface PropertyLine { property: Id; name: string; address: string; access: string; season: { from: MonthDay; to: MonthDay } | null; machines: number }
export interface Due { state: 'overdue' | 'never-checked' | 'left-open' | 'due-soon' | 'not-known' | 'later'; date?: string; left_tenth_h?: number }
export interface DueLine {
  machine: Id; tag: string; description: string; property: Id | null; property_name: string; /** Its card's name. */ engine: string; meter_tenth_h: number | null;
  due: Due | null; words: string; hold: boolean; contested: boolean; recheck: boolean; open_visit: boolean;
}
export interface Stop extends PropertyLine { due: DueLine[] }
/** A note that was not taken back. */
export interface NoteLine { record: Id; text: string; by: string; at_ms: number }
/** A property as its own screen shows it. `more_notes`: so many older ones. */
export interface Place extends Stop { notes: NoteLine[]; more_notes: number }
/** What is looked for among machines and stops; each part may be left out. Those on hold come first in each order. */
export interface DueQuery {
  find?: string; property?: Id; only?: 'held' | 'due' | 'contested' | 'visited'; order?: 'pressing' | 'tag' | 'place' | 'hours'; /** So many were on earlier pages. */ skip?: number;
}
/** A page of at most 100; `found` and `all` are counts. */
export interface DuePage { lines: DueLine[]; found: number; all: number }
/** Of each stop at most four of the machines that were found there; `found` says how many were. */
export interface RoundPage { stops: (Stop & { found: number })[]; found: number; all: number }
export interface HistoryLine {
  record: Id; short: string; kind: string; at_ms: number; by: string; words: string; at_shop: boolean;
  fate: 'stands' | 'contends' | 'replaced' | 'aside' | 'voided' | 'not-understood';
}
export interface LashView {
  valve: Valve; stage: Stage; state: 'empty' | 'stands' | 'corroborated' | 'contested' | 'ruled' | 'recheck'; stands: Id | null;
  bracket: Bracket | null; by: Id | null; by_name: string; at_ms: number | null; cold: boolean; adjusted: boolean; visit: Id | null;
  reason: string; words: string; judged: Verdict | null; gross: Gross | null;
}
export interface VisitView {
  visit: Id; by: Id; by_name: string; at_ms: number; cold: boolean; cold_said_ms: number; ran_since: boolean; finished_ms: number | null;
  complete: boolean;
}
export interface OpenFinding { finding: Id; grade: Grade; what: string; by: Id; at_ms: number }
/** A photo that was not taken back; its picture is where `ownPhotos` says, or with whoever noted it. */
export interface PhotoLine {
  record: Id; sha256: string; size_bytes: number; media_type: string; caption: string; by: string; at_ms: number;
}
/** Where the picture of a photo of this phone's is: here alone, at the shop (and here until `let_go_ms`), or why it will not get there. */
export type OwnPhoto = {
  record: Id; doc: Id; sha256: string; size_bytes: number; caption: string; let_go_ms: number | null; stopped: string | null;
} & ({ bytes: 'here' } | { bytes: 'at-shop'; since_ms: number } | { bytes: 'stopped'; code: string });
export interface PhotoDue { record: Id; doc: Id; sha256: string; size_bytes: number; caption: string; bytes: 'here'; ready: boolean }
/** `hours_per_week` is the shop's estimate for a machine without a meter. */
export interface MachineCard {
  tag: string; description: string; property: Id; engine_card?: Id; cylinders?: number; duty: 'commercial' | 'homeowner';
  hours_per_week?: number; provisional: boolean;
}
export interface CheckReading {
  record: Id; words: string; judged: Verdict | null; gross: Gross | null; cold: boolean; by: string; at_ms: number;
  /** How its slot stands now, where this reading is the one that stands. */ state: LashView['state'] | null;
}
/** What was found, set and left on one visit; or, without a visit, on one day. */
export interface CheckLine {
  visit: Id | null; at_ms: number; day: string; by: string; open: boolean;
  valves: { valve: Valve; found: CheckReading | null; set: CheckReading | null; left: CheckReading | null }[];
}
export interface MachineView {
  machine: Id; tag: string; description: string; property: Id | null; property_name: string; duty: 'commercial' | 'homeowner';
  provisional: boolean; cylinders: number | null; engine_card: EngineCard | null;
  /** The card in words, in the person's unit; empty without one. */ engine_card_words: string; checks: CheckLine[]; lash: LashView[]; due: Due | null; due_words: string;
  visits: VisitView[]; findings: OpenFinding[]; /** The latest, newest first. */ notes: NoteLine[]; more?: { notes?: number }; photos: PhotoLine[]; history: HistoryLine[];
  state: { card: MachineCard | null; contested: string[]; recheck: string[]; hours: { meter_tenth_h: number; at_ms: number } | null };
}
export interface ContestedReading {
  record: Id; short: string; by: string; role: string; words: string; at_ms: number; when: string; stands: boolean; aside: string | null;
}
export interface ContestedSlot {
  doc: Id; title: string; slot: string; slot_words: string; reason: string; order_unknown: boolean; readings: ContestedReading[];
  rulings?: { record: Id; short: string; words: string; when: string; counts: boolean }[];
}
export interface Quarantined {
  id: number; record: Id | null; doc: Id; code: string; detail: string; since_ms: number; kind: string | null;
  state: 'waiting' | 'released' | 'kept-out';
  /** A machine's tag, or what else its document is called. */ title: string;
  /** Who stated it and in which role, the device that signed it; empty where it cannot be read. */ by_name: string; role: string; device_name: string;
  stated_ms: number | null; /** What it says, in the person's unit. */ words: string;
}
/** With what letting it in would change, a sentence each; empty once it is settled. That is tried, so ask it of the one that is looked at. */
export interface QuarantinedWhole extends Quarantined { would_change: string[]; can_be_let_in: boolean }
/** A visit of the person's own that is open; `handed_over`: on this phone, and it waits for somebody who may sign it off. */
export interface OwnVisit { machine: Id; tag: string; visit: Id; at_ms: number; handed_over: boolean }
export interface Moved { mark: number; everything: boolean; documents: Id[] }

export interface VisitEntry { cold: boolean; cautions_confirmed: boolean; engine_tenth_c?: number; purpose?: string; meter_tenth_h?: number }
export interface HoursOutcome { record: Id; doubt: string | null }
/** How cold the engine is for a reading. `too-long-ago` and `ran-since`: it was said to be cold, and is to be asked again. */
export type Cold =
  | { engine: 'cold' } | { engine: 'warm' } | { engine: 'not-said' } | { engine: 'too-long-ago'; hours: number } | { engine: 'ran-since' };
export interface VisitOutcome { visit: Id; hours: HoursOutcome | null; also_open: number; /** Shown before any step. */ holds: OpenFinding[] }
export interface Tried { feeler: Feeler; goes: boolean }
export type Ask = { ask: 'try'; leaf: NextLeaf } | { ask: 'how-tight' } | { ask: 'how-loose' } | { ask: 'both' } | { ask: 'enough' };
export interface TrialView {
  valve: Valve; range: Range | null; bracket: Bracket | null; bracket_words: string; judged: Verdict | null; next: Ask; question: string;
  go_tenth_um: number | null; no_go_tenth_um: number | null; leaves_tenth_um: number[];
}
export interface ReadingEntry {
  valve: Valve; stage: Stage; go_tenth_um?: number | null; no_go_tenth_um?: number | null; leaves_tenth_um?: number[];
  adjusted?: boolean; cold?: boolean | null;
}
export interface ReadingOutcome {
  record: Id; visit: Id | null; bracket: Bracket; bracket_words: string; range: Range | null; judged: Verdict | null; gross: Gross | null; verdict: string;
  next: string[]; next_leaf: NextLeaf | null; turn: TurnRange | null; contested: boolean; doubt: string | null;
  /** Of a reading that was just taken. */
  cold: Cold | null;
}
export type Step =
  | { step: 'look-first'; stage: Stage; gross: Gross }
  | { step: 'read'; stage: Stage } | { step: 'adjust' } | { step: 'turn-over' } | { step: 'read-again'; stage: Stage } | { step: 'set-to-aim' } | { step: 'done' };
export type ValveGuide = Step & {
  valve: Valve; words: string; piston: string; confirm: string;
  /** The piston is brought there before what is to be confirmed; not where turning the engine over brings it back. */
  piston_first: boolean;
  /** Looked out for while that is done, said when it comes. */
  cautions: string[];
  /** The stage at which it is read next. */
  reads_at: Stage;
  /** Of the last reading in this visit. */
  last_stage: Stage | null; last: ReadingOutcome | null;
};
export interface Guide {
  machine: Id; tag: string; visit: Id; cold: Cold;
  /** Named with what was found, before any step. */
  holds: OpenFinding[];
  /** Not empty: ask whether the engine is cold, and say so with `resumeVisit`, before a leaf is tried. */
  cold_words: string;
  card: EngineCard | null; valves: ValveGuide[]; next: Valve | null;
  hours_read: boolean; open: string[];
}
export interface FinishOutcome { record: Id; visit: Id; complete: boolean; open: string[] }
export interface SymptomView {
  symptom: string; title: string; known: string[]; deference: string;
  looks: { look: string; what: string; why: string; then: string; end: 'check' | 'measure' | 'put-right' | 'hold'; known: string[] }[];
}
export type LessonName = 'top-dead-center' | 'leaf' | 'lock-nut';
export interface Lesson {
  lesson: LessonName; title: string; moves: boolean; deference: string;
  points: { point: string; what: string; why: string; otherwise: string }[];
}
export type Part = 'body' | 'piston' | 'train' | 'valve' | 'gap' | 'leaf' | 'tool';
export type Shape = { shape: 'path'; part: Part; points: [number, number][]; closed: boolean }
  | { shape: 'circle'; part: Part; center: [number, number]; radius: number }
  | { shape: 'text'; at: [number, number]; anchor: 'start' | 'middle'; text: string };
export interface Figure { wide: number; high: number; words: string; shapes: Shape[] }
export interface RefusedLine { doc: Id; record: Id | null; code: string; detail: string }
export interface Levelled {
  rounds: number; taken: number; received: number; healed: number; shop_restored: boolean; refused: RefusedLine[]; level: boolean;
  bytes_received: number;
}
export interface Enrolled { shop_name: string; person_name: string; role: Role | null; shop_time_ms: number }
export interface Taken { from: Id; made_at: number; taken: number; held: number; refused: RefusedLine[]; saved: number }

/** Files that the person saved: the office or another phone takes them in, one after the other. */
export interface SavedFiles { files: number; bytes: number }
/** What can be saved of a damaged book: changes that the shop is not known to hold, records that waited in quarantine; parts that cannot be read. */
export interface SavedCounts { documents: number; changes: number; quarantined: number; unreadable: number }

/** Decide by `code`, show `message`. */
export class KitError extends Error {
  readonly code: string;
  readonly shopTimeMs: number | null;
  /** Where the book is damaged: its kit, of which `salvage`, `saveDamaged` and `close` still work. Else null. */
  readonly kit: Kit | null;
}

export class Kit {
  has: 'opening' | 'here' | 'elsewhere';
  onmoved: ((moved: Moved) => void) | null;
  onhas: ((has: 'here' | 'elsewhere') => void) | null;
  /** While this book is filled for the first time: bytes and machines that are here, and of how many, where that is known. `onmoved` is
   * called when it changes. */
  filling: { bytes: number; machines: number; of: number | null } | null;
  close(): void;
  /** Shown and confirmed before a hand goes near a machine's engine. */
  cautions(machine: Id): Promise<{ cautions: string[]; deference: string }>;
  /** Symptoms by name, as people say them; and what to look at for one, in which order and why, with what the book knows. */
  symptoms(): Promise<{ name: string; words: string }[]>;
  symptom(machine: Id, name: string): Promise<SymptomView>;
  /** How a step of the check is done, why, and what goes wrong otherwise: for a machine's engine, or for any. */
  lesson(name: LessonName, machine: Id | null): Promise<Lesson>;
  /** Its drawing; that of `top-dead-center` at an angle of the crank, in degrees from top dead center of compression. */
  lessonFigure(name: LessonName, machine: Id | null, degrees: number): Promise<Figure>;

  // The shop.
  status(): Promise<Status>;
  enrol(code: string, deviceName: string, server?: string): Promise<Enrolled>;
  exchange(how?: { handOverOnly?: boolean }): Promise<Levelled>;
  token(): Promise<string | null>;
  /** Bundles to be taken in one after the other: one, unless it would be too large. */
  unsent(): Promise<Uint8Array[]>;
  saveUnsent(fileName?: string): Promise<SavedFiles>;
  /** Closes the book, and gives what can be read of it and was not handed over, as bundles; then the page must be loaded again. Needs no keys. */
  salvage(): Promise<SavedCounts & { bundles: Uint8Array[] }>;
  saveDamaged(fileName?: string): Promise<SavedCounts & SavedFiles>;
  takeBundle(bytes: Uint8Array): Promise<Taken>;

  // Looking.
  round(): Promise<Stop[]>;
  roundPage(query: DueQuery): Promise<RoundPage>;
  properties(): Promise<PropertyLine[]>;
  property(property: Id): Promise<Place>;
  due(): Promise<DueLine[]>;
  duePage(query: DueQuery): Promise<DuePage>;
  engineCards(): Promise<EngineCard[]>;
  /** What this person may take back with `void`, newest first. */
  toTakeBack(doc: Id): Promise<Id[]>;
  findMachine(tag: string): Promise<Id>;
  machine(machine: Id): Promise<MachineView>;
  history(machine: Id): Promise<HistoryLine[]>;
  contested(): Promise<ContestedSlot[]>;
  slot(doc: Id, slot: string): Promise<ContestedSlot>;
  quarantine(): Promise<Quarantined[]>;
  quarantined(id: number): Promise<QuarantinedWhole>;
  moved(since: number): Promise<Moved>;
  verify(): Promise<{ clean: boolean; faults: string[] }>;

  // The person's own.
  unit(): Promise<Unit>;
  setUnit(unit: Unit): Promise<null>;
  leaves(): Promise<Leaves>;
  setLeaves(text: string): Promise<Leaves>;
  readLength(text: string): Promise<LengthRead>;
  showLength(tenthUm: number): Promise<string>;
  remembered(name: string): Promise<unknown>;
  remember(name: string, value: unknown): Promise<null>;

  // Working. What is promised is kept.
  openVisit(machine: Id, entry: VisitEntry): Promise<VisitOutcome>;
  /** Cautions and cold once more, where a visit is gone on with. */
  resumeVisit(machine: Id, entry: VisitEntry): Promise<VisitOutcome>;
  openVisitOf(machine: Id): Promise<Id | null>;
  ownVisit(machine: Id): Promise<OwnVisit | null>;
  /** The latest of the person's own that is open and was not handed over. */
  visitToGoOnWith(): Promise<OwnVisit | null>;
  /** Hands the person's open visit over with a note, which tells others; it waits here until `takeUp`. */
  handOver(machine: Id, note: string): Promise<Id>;
  takeUp(machine: Id): Promise<null>;
  guide(machine: Id): Promise<Guide>;
  firstLeaf(machine: Id, valve: Valve): Promise<NextLeaf | null>;
  trial(machine: Id, valve: Valve, tried: Tried[]): Promise<TrialView>;
  takeReading(machine: Id, entry: ReadingEntry): Promise<ReadingOutcome>;
  readHours(machine: Id, meterTenthH: number): Promise<HoursOutcome>;
  changeMeter(machine: Id, change: { old_tenth_h: number; new_tenth_h: number; /** When it was changed; absent: now. */ changed_ms?: number }): Promise<Id>;
  addFinding(machine: Id, grade: Grade, what: string): Promise<Id>;
  clearFinding(finding: Id, how: string): Promise<Id>;
  addNote(doc: Id, text: string): Promise<Id>;
  /** Keeps the picture, then notes the photo. The picture goes to the shop by itself after an exchange. JPEG, PNG or WebP, at most 8 MiB. */
  addPhoto(doc: Id, bytes: Uint8Array, caption: string): Promise<{ record: Id; sha256: string }>;
  /** The picture of a photo of this phone's, where it is kept here. */
  picture(doc: Id, sha256: string): Promise<Blob | null>;
  photosDue(): Promise<PhotoDue[]>;
  ownPhotos(): Promise<OwnPhoto[]>;
  leftOpen(machine: Id, visit: Id): Promise<string[]>;
  finishVisit(machine: Id, remark: string): Promise<FinishOutcome>;
  /** Signs off a visit, also another's. */
  signOff(machine: Id, visit: Id, remark: string): Promise<FinishOutcome>;
  /** Enters a machine that the list lacks: provisional, until the office confirms it. */
  addMachine(card: MachineCard): Promise<Id>;
  void(target: Id, reason: string): Promise<Id>;

  // When nobody waits; an exchange does both by itself.
  prove(most: number): Promise<number>;
  tidy(most: number): Promise<number>;
}

/** Opens the book of this origin. `:memory:` is a book that is gone with the page. */
export function openKit(name?: string, how?: { /** Told how much of the kit is loaded, in bytes. */ onloading?: (so: { bytes: number; of: number }) => void }): Promise<Kit>;
