// The README's example in TypeScript, so that the types of kit.d.ts are used as a front end uses them. Only compiled, never run.

import { KitError, openKit, type Tried } from '../kit.js';

export async function check(tag: string, goes: (question: string) => Promise<boolean>): Promise<string[]> {
  const kit = await openKit();
  if (!(await kit.status()).enrolled) await kit.enrol('4K7QM-2ZT9A', 'phone');
  await kit.exchange({ handOverOnly: false });
  const machine = await kit.findMachine(tag);
  await kit.openVisit(machine, { cold: true, cautions_confirmed: true });
  for (let guide = await kit.guide(machine); guide.next; guide = await kit.guide(machine)) {
    const valve = guide.valves.find((one) => one.valve === guide.next);
    if (!valve || valve.step === 'done') break;
    const stage = valve.reads_at;
    const tried: Tried[] = [];
    let view = await kit.trial(machine, valve.valve, tried);
    while (view.next.ask === 'try') {
      tried.push({ feeler: view.next.leaf.feeler, goes: await goes(view.question) });
      view = await kit.trial(machine, valve.valve, tried);
    }
    const { go_tenth_um, no_go_tenth_um, leaves_tenth_um } = view;
    const reading = { valve: valve.valve, stage, go_tenth_um, no_go_tenth_um, leaves_tenth_um, adjusted: stage === 'set' } as const;
    const { next } = await kit.takeReading(machine, reading);
    if (next.length === 0) break;
  }
  try {
    return (await kit.finishVisit(machine, '')).open;
  } catch (error) {
    return error instanceof KitError ? [error.code, error.message] : [];
  }
}
