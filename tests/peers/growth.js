// How the costs grow with the fleet: one size measured into a table, and the table drawn.
//   node growth.js measure PEERS_FOLDER DATA WORK TABLE      rows of this size in TABLE are made anew
//   node growth.js draw TABLE PICTURE
'use strict'
const fs = require('fs'), os = require('os'), path = require('path')
const { Shop } = require('./ours')
const COLUMNS = ['machines', 'history', 'what', 'median_ms', 'times', 'bytes_up', 'bytes_down', 'others_cpu_percent', 'cores']
const IDLE = 20, SHEETS = 9, UPLOADING = [0, 1, 2], BEHIND = 3

function rows (table) {
  if (!fs.existsSync(table)) return []
  const [head, ...lines] = fs.readFileSync(table, 'utf8').trimEnd().split('\n')
  if (head !== COLUMNS.join('\t')) throw new Error(`${table} has other columns: ${head}`)
  return lines.map(line => Object.fromEntries(line.split('\t').map((x, i) => [COLUMNS[i], x === '' || COLUMNS[i] === 'what' ? x : +x])))
}

async function measure (peers, data, work, table) {
  const meta = JSON.parse(fs.readFileSync(path.join(data, 'meta.json'))), found = []
  const shop = new Shop(peers, data, work, said => { throw new Error(said) }), { seeded } = shop
  const morning = seeded.founding + seeded.history, ofOne = seeded.day / seeded.devices
  const row = (what, ms, times, o = {}) => found.push({ machines: meta.F, history: meta.H, what, median_ms: ms, times, bytes_up: o.bytes_up && Math.round(o.bytes_up / times), bytes_down: Math.round(o.bytes_down / times), others_cpu_percent: o.other_cpu_share === undefined ? '' : +(o.other_cpu_share * 100).toFixed(0), cores: os.cpus().length })
  // The harness's phases, longer where the fleet is large; the row tells the median over their devices.
  const phase = async (what, o) => { const p = await shop.phase({ name: what, timeout: 7200e3, ...o }); row(what, p.device_ms_median, p.devices, p) }
  await shop.start()
  await phase('first fill', { devices: [0], cmd: 'fill', after: shop.counted(morning) })
  shop.clone([...UPLOADING.slice(1), BEHIND])
  await phase('idle exchange', { devices: Array(IDLE).fill(0), cmd: 'idle', after: shop.counted(morning) })
  await shop.phase({ name: 'append (offline)', devices: UPLOADING, cmd: 'append', after: shop.counted(morning + ofOne) })
  shop.clocks(seeded.evening_ms)
  await phase(`upload of ${ofOne} records`, { devices: UPLOADING, cmd: 'upload' })
  await phase(`catch-up of ${UPLOADING.length * ofOne} records`, { devices: [BEHIND], cmd: 'catchup', after: shop.counted(morning + UPLOADING.length * ofOne) })
  const json = await shop.sheetJson(SHEETS)
  row('day sheet as JSON', json.device_ms_median, SHEETS, json)
  const page = await shop.sheetPage(SHEETS)
  row('day sheet page', page.ms_median, SHEETS, { bytes_up: '', bytes_down: page.bytes * SHEETS })
  await shop.stop()
  const kept = rows(table).filter(r => r.machines !== meta.F || r.history !== meta.H)
  const all = [...kept, ...found].sort((a, b) => a.machines - b.machines || a.history - b.history)
  fs.mkdirSync(path.dirname(table), { recursive: true })
  fs.writeFileSync(table, [COLUMNS.join('\t'), ...all.map(r => COLUMNS.map(c => r[c]).join('\t'))].join('\n') + '\n')
  console.error(`  ${meta.F} machines with a history of ${meta.H}: seeded in ${shop.seed_s} s, ${found.length} rows`)
}

const thousands = n => String(n).replace(/\B(?=(\d{3})+$)/g, ',')
function draw (table, picture) {
  const lines = [['upload of', 'upload of a day', 'a'], ['day sheet page', 'day sheet page', 'b'], ['idle exchange', 'idle exchange', 'c']]
  const of = start => rows(table).filter(r => r.what.startsWith(start) && r.median_ms > 0)
  const all = lines.flatMap(([start]) => of(start))
  if (!all.length) throw new Error(`${table} has nothing to draw`)
  const W = 800, H = 440, left = 70, right = 205, top = 56, bottom = 78
  const log = Math.log10, xs = [...new Set(all.map(r => r.machines))].sort((a, b) => a - b)
  // One size alone stands in the middle of a span of its own.
  const x0 = log(xs[0]), x1 = xs.length > 1 ? log(xs[xs.length - 1]) : x0
  const y0 = Math.floor(log(Math.min(...all.map(r => r.median_ms)))), y1 = Math.max(y0 + 1, Math.ceil(log(Math.max(...all.map(r => r.median_ms)))))
  const x = n => +(left + (x1 === x0 ? 0.5 : (log(n) - x0) / (x1 - x0)) * (W - left - right)).toFixed(1)
  const y = ms => +(H - bottom - (log(ms) - y0) / (y1 - y0) * (H - top - bottom)).toFixed(1)
  const text = (x, y, said, more = '') => `<text x="${x}" y="${y}" ${more}>${said}</text>`
  const out = []
  for (let d = y0; d <= y1; d++) {
    out.push(`<line class="grid" x1="${left}" x2="${W - right}" y1="${y(10 ** d)}" y2="${y(10 ** d)}"/>`, text(left - 8, y(10 ** d) + 4, d >= 3 ? `${thousands(10 ** (d - 3))} s` : `${10 ** d} ms`, 'text-anchor="end"'))
  }
  for (const n of xs) {
    const histories = [...new Set(all.filter(r => r.machines === n).map(r => r.history))].join(' or ')
    out.push(`<line class="grid" x1="${x(n)}" x2="${x(n)}" y1="${top}" y2="${H - bottom}"/>`, text(x(n), H - bottom + 18, thousands(n), 'text-anchor="middle"'), text(x(n), H - bottom + 34, `× ${histories}`, 'text-anchor="middle" class="faint"'))
  }
  // Direct labels at the lines' ends, kept apart.
  const ends = []
  for (const [start, name, mark] of lines) {
    const points = of(start).sort((a, b) => a.machines - b.machines || a.history - b.history)
    if (!points.length) continue
    out.push(`<polyline class="${mark}" points="${points.map(r => `${x(r.machines)},${y(r.median_ms)}`).join(' ')}"/>`)
    for (const r of points) out.push(`<circle class="${mark}" cx="${x(r.machines)}" cy="${y(r.median_ms)}" r="4"><title>${name}, ${thousands(r.machines)} machines: ${r.median_ms} ms</title></circle>`)
    const last = points[points.length - 1]
    ends.push({ at: y(last.median_ms), x: x(last.machines) + 10, said: `${name} ${last.median_ms} ms`, mark })
  }
  ends.sort((a, b) => a.at - b.at)
  ends.forEach((end, i) => { if (i) end.at = Math.max(end.at, ends[i - 1].at + 17); out.push(text(end.x, end.at + 4, end.said, `class="label ${end.mark}"`)) })
  fs.mkdirSync(path.dirname(picture), { recursive: true })
  fs.writeFileSync(picture, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${W} ${H}" width="${W}" height="${H}" role="img" aria-labelledby="t d">
<title id="t">Time of an exchange and of the day sheet by the size of the fleet</title>
<desc id="d">Both axes are logarithmic. ${ends.map(e => `At the largest fleet, ${e.said}`).join('. ')}.</desc>
<style>
 text { font: 13px system-ui, sans-serif; fill: #333 } .faint { fill: #666; font-size: 12px } .head { font-size: 15px; font-weight: 600 }
 .grid { stroke: #8884; stroke-width: 1 } polyline { fill: none; stroke-width: 2.5 } .label { font-weight: 600 }
 polyline.a, circle.a { stroke: #b3541e } polyline.b, circle.b { stroke: #2563a8 } polyline.c, circle.c { stroke: #3c7a3c }
 circle { stroke: none !important } circle.a, text.a { fill: #b3541e } circle.b, text.b { fill: #2563a8 } circle.c, text.c { fill: #3c7a3c }
 @media (prefers-color-scheme: dark) {
  text { fill: #ddd } .faint { fill: #aaa }
  polyline.a { stroke: #f0a070 } polyline.b { stroke: #7fb4f0 } polyline.c { stroke: #8fd08f }
  circle.a, text.a { fill: #f0a070 } circle.b, text.b { fill: #7fb4f0 } circle.c, text.c { fill: #8fd08f }
 }
</style>
${text(left, 24, 'Time by the size of the fleet', 'class="head"')}
${text(left, 42, 'medians, both axes logarithmic; under each size the records of history of a machine', 'class="faint"')}
${out.join('\n')}
${text((left + W - right) / 2, H - 14, 'machines in the fleet', 'text-anchor="middle"')}
</svg>
`)
}

const [what, ...places] = process.argv.slice(2), at = places.map(p => path.resolve(p))
if (what === 'draw' && at.length === 2) draw(...at)
else if (what === 'measure' && at.length === 4) measure(...at).then(() => process.exit(0), e => { console.error(e); process.exit(1) })
else { console.error('growth.js measure PEERS_FOLDER DATA WORK TABLE, or growth.js draw TABLE PICTURE'); process.exit(2) }
