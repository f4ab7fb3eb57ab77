// Ours beside the best peer and the lower bounds, and each target with met or not.     node ratios.js RESULTS_FOLDER
// Exit code: 0 where every target is met, 1 where one is not, 2 where our own figures are not there.
'use strict'
const fs = require('fs'), path = require('path')
const dir = process.argv[2], all = fs.readdirSync(dir).filter(n => n.endsWith('.json')).map(n => JSON.parse(fs.readFileSync(path.join(dir, n))))
const ours = all.find(r => r.peer === 'tappetbook'), named = name => all.find(r => r.peer === name && r.ok !== false)
if (!ours || !ours.sizes) { console.error(`${dir} has no whole result of ours: ${ours ? ours.notes.join('; ') : 'no file'}`); process.exit(2) }
const peers = all.filter(r => r.phases && r.ok === true && r !== ours), am = named('bound-automerge-blob'), phys = named('bound-physical')
const D = ours.D, z = ours.sizes, MiB = 1048576
const ms = x => x === undefined ? '' : `${x.toFixed(x >= 100 ? 0 : 1)} ms`, kB = x => x === undefined ? '' : x < 1e4 ? `${Math.round(x)} B` : x < 1e6 ? `${(x / 1e3).toFixed(1)} kB` : `${(x / 1e6).toFixed(2)} MB`
const count = x => x === undefined ? '' : String(+x.toFixed(1))
const per = { wall: p => p.wall_s * 1000 / p.devices, bytes: p => (p.bytes_up + p.bytes_down) / p.devices, requests: p => p.requests && p.requests / p.devices }
function table (head, rows) {
  const w = head.map((x, i) => Math.max(x.length, ...rows.map(r => String(r[i] ?? '').length))), line = r => '| ' + r.map((x, i) => String(x ?? '').padEnd(w[i])).join(' | ') + ' |'
  console.log([line(head), '|' + w.map(x => '-'.repeat(x + 2)).join('|') + '|', ...rows.map(line), ''].join('\n'))
}
function best (phase, what) {
  const of = peers.filter(r => r.phases[phase]).map(r => ({ name: r.peer, x: per[what](r.phases[phase]) })).filter(r => r.x !== undefined)
  return of.sort((a, b) => a.x - b.x)[0]
}
// The bounds, per device: Automerge in process, its bytes compressed; SQLite's own transaction or read, and compact CBOR.
const small = phys && phys.bytes && phys.bytes.cbor_compact, sql = phys && phys.sqlite
const bounds = {
  upload: am && { wall: am.upload.client_ms_per_device + am.upload.server_ms_per_device, bytes: am.upload.bytes_zstd3 / D },
  catchup: am && { wall: am.catchup.client_ms_per_device + am.catchup.server_ms_per_device, bytes: am.catchup.bytes_zstd3 / D }
}
const least = { upload: { wall: sql && sql.tx_ms_median, bytes: small && small.upload_zstd3 / D }, catchup: { wall: sql && sql.catchup_read_ms_median, bytes: small && small.catchup_zstd3 / D }, idle: { wall: sql && sql.idle_query_ms_median }, bootstrap: { wall: z.bare_copy_ms, bytes: z.fill.zstd } }
const rows = []
for (const phase of ['bootstrap', 'idle_morning', 'append', 'upload', 'catchup', 'idle', 'idle_cold_server']) {
  const p = ours.phases[phase]; if (!p) continue
  for (const [what, show] of [['wall', ms], ['bytes', kB], ['requests', count]]) {
    const x = per[what](p); if (!x) continue
    const b = best(phase, what), a = (bounds[phase] || {})[what], l = (least[phase] || {})[what], times = y => y ? (x / y).toFixed(x / y < 0.1 ? 3 : 2) : ''
    rows.push([phase, `${what}/device`, show(x), b ? `${show(b.x)} (${b.name})` : 'none', times(b && b.x), show(a), times(a), show(l), times(l)])
  }
}
console.log(`## ${dir}: ours (F=${ours.F}, H=${ours.H}${ours.conc > 1 ? ', all devices at once' : ''})${ours.ok ? '' : ' FAILED: ' + ours.notes.join('; ')}\n`)
table(['phase', 'what', 'ours', 'best completing peer', 'ours/best', 'Automerge in process', 'ours/it', 'physical', 'ours/it'], rows)
table(['signed records', 'count', 'bytes', 'zstd -3'], ['upload', 'catchup', 'catchup_with_arrivals', 'fill', 'all'].map(k => [k, z[k].records, kB(z[k].bytes), kB(z[k].zstd)]))

const t = []
const most = (name, x, limit, show, why) => t.push([name, x === undefined ? 'not measured' : show(x), limit === undefined || Number.isNaN(limit) ? `no figure (${why})` : `${show(limit)} (${why})`, x === undefined || limit === undefined || Number.isNaN(limit) ? 'unknown' : x <= limit ? 'met' : 'NOT MET'])
for (const [phase, weight] of [['upload', z.upload.zstd], ['catchup', z.catchup_with_arrivals.zstd]]) {
  const p = ours.phases[phase], b = best(phase, 'wall')
  most(`${phase}: requests/device`, per.requests(p), 2, count, '2')
  most(`${phase}: bytes/device, both ways`, per.bytes(p), 1.5 * weight, kB, '1.5 x zstd of the signed records')
  most(`${phase}: wall/device`, per.wall(p), b && b.x / 10, ms, b ? `a tenth of ${b.name}` : 'no peer completed')
}
const loaded = am && bounds.catchup.wall + am.load_fleet_ms * ours.touched / ours.F
most('catchup: wall/device', per.wall(ours.phases.catchup), loaded, ms, `Automerge in process, with loading of the ${ours.touched} documents`)
const idle = ours.phases.idle
most('idle: requests', per.requests(idle), 1, count, '1')
for (const way of ['up', 'down']) most(`idle: bytes ${way}`, idle[`bytes_${way}`] / idle.devices, 999, kB, 'under 1 kB')
most('first fill: wall', per.wall(ours.phases.bootstrap), 3 * z.bare_copy_ms, ms, '3 x bare SQLite copy')
most('first fill: bytes, both ways', per.bytes(ours.phases.bootstrap), 1.3 * z.fill.zstd, kB, '1.3 x zstd of the signed records')
most('a reading kept: wall, median', ours.phases.append.detail.kept_ms, 2 * z.bare_commit_ms, x => `${x.toFixed(2)} ms`, '2 x the median of a bare FULL commit of one record')
if (ours.day_sheet_page) most('day sheet: page', ours.day_sheet_page.ms_median, 50, ms, '50 ms')
most('database at the end', z.shop_db_bytes, 2.5 * z.all.zstd, kB, '2.5 x zstd of the signed records')
most('server peak RSS', Math.max(...Object.values(ours.phases).map(p => p.server_peak_rss)), 200 * MiB - 1, x => `${(x / MiB).toFixed(0)} MiB`, 'under 200 MiB')
table(['target', 'ours', 'at most', 'verdict'], t)
const early = ours.phases.upload.bytes_down / D
if (early > 0.5 * z.upload.zstd) console.log(`An upload was answered with ${kB(early)} of what others had brought, so a catch-up had less to bring: believe its figures for the device that was first to upload (${ms(ours.phases.catchup.device_ms_max)} at most), not the mean.`)
if (ours.day_sheet_page) console.log(`Day sheet: ${ms(per.wall(ours.phases.day_sheet))} as JSON, ${ms(ours.day_sheet_page.ms_median)} as the office's page.`)
console.log(`One bare FULL commit of one record: ${z.bare_commit_ms.toFixed(2)} ms. Seeding: ${ours.seed_s} s. Book of the shop: ${kB(ours.disk_server_morning)} in the morning, ${kB(z.shop_db_bytes)} at the end; of a device: ${kB(ours.disk_device_morning)}.`)
process.exit(ours.ok && t.every(r => r[3] !== 'NOT MET') ? 0 : 1)
