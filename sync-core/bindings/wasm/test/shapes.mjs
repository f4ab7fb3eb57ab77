// Whether values have the fields that kit.d.ts says: its interfaces are read, and each field that may not be absent must be there.

import assert from 'node:assert/strict';

/** The fields of an interface or of an intersection's own part: name -> may be absent. */
function fieldsOf(types, name) {
  const head = new RegExp(`export (?:interface ${name}(?: extends (\\w+))?|type ${name} = \\w+ &) \\{`).exec(types);
  assert.ok(head, `kit.d.ts has no ${name}`);
  let depth = 1;
  let body = '';
  for (const letter of types.slice(head.index + head[0].length)) {
    depth += letter === '{' || letter === '[' ? 1 : letter === '}' || letter === ']' ? -1 : 0;
    if (depth === 0) break;
    if (depth === 1) body += letter;
  }
  const fields = head[1] ? fieldsOf(types, head[1]) : new Map();
  const plain = body.replaceAll(/\/\*\*.*?\*\//gs, '');
  for (const [, field, optional] of plain.matchAll(/(?:^|;)\s*(\w+)(\??):/g)) fields.set(field, optional === '?');
  return fields;
}

/** Holds values against the interfaces of the same names. */
export function shapes(types, values) {
  for (const [name, value] of Object.entries(values)) {
    const fields = fieldsOf(types, name);
    assert.ok(fields.size > 2, `${name} has fields`);
    for (const [field, optional] of fields) assert.ok(optional || field in value, `${name}.${field} is not there: ${Object.keys(value)}`);
  }
}
