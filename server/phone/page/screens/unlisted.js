// A machine that the list lacks: entered as provisional, so that it can be checked at once.

import { field, form, h } from '../ui.js';
import words from '../words/en.js';

const said = words.unlisted;
const select = (name, kinds) => h('select', { name }, kinds.map(([value, text]) => h('option', { value }, text)));

export async function show({ kit, at, go }, property) {
  const cards = await kit.engineCards();
  const tag = h('input', { name: 'tag', required: true, autocomplete: 'off', autocapitalize: 'characters', spellcheck: 'false' });
  const description = h('input', { name: 'description', autocomplete: 'off' });
  const card = select('card', [['', said.noCard], ...cards.map((one) => [one.card, one.name])]);
  const cylinders = h('input', { name: 'cylinders', inputmode: 'numeric', pattern: '[0-9]*', autocomplete: 'off' });
  const duty = select('duty', Object.entries(said.duties));
  const asked = field(said.cylinders, cylinders);
  const follow = () => { asked.hidden = !!card.value; };
  card.addEventListener('input', follow);
  queueMicrotask(follow);
  return {
    title: said.title,
    back: at('property', property),
    moves: false,
    form: form([h('p', null, said.lead), field(said.tag, tag), field(said.description, description, said.descriptionHint), field(said.card, card), asked, field(said.duty, duty)], said.go, async () => {
      const engine = card.value ? { engine_card: card.value } : cylinders.value.trim() ? { cylinders: Number(cylinders.value) } : {};
      const machine = await kit.addMachine({ tag: tag.value.trim(), description: description.value.trim(), property, duty: duty.value, provisional: true, ...engine });
      go(at('machine', machine));
    }),
  };
}
