// Our engine as a peer of the harness: real processes, real HTTP, through the same proxy and with the same accounts.
//   node ours.js PEERS_FOLDER DATA WORK OUT      FLEET: the fleet program (default: target/release/fleet beside tests/)
'use strict'
const fs = require('fs'), path = require('path'), { spawn, spawnSync } = require('child_process'), readline = require('readline')
const [peers, data, work, out] = process.argv.slice(2).map(p => path.resolve(p))
const h = require(path.join(peers, 'lib/harness'))
const fleet = process.env.FLEET || path.join(__dirname, '../../target/release/fleet')
const conc = +(process.env.CONC || 1)
const meta = JSON.parse(fs.readFileSync(path.join(data, 'meta.json')))
const D = [...Array(meta.D).keys()], pad = n => String(n).padStart(2, '0')
const res = { peer: 'tappetbook', conc, versions: { node: process.version }, F: meta.F, H: meta.H, D: meta.D, touched: meta.touchedMachines, phases: {}, notes: [] }
const book = name => path.join(work, 'devices', `${name}.db`)
const size = file => fs.statSync(file).size
const running = new Set()
process.on('exit', () => { for (const child of running) child.kill('SIGKILL') })
let server, port, proxy, seeded, shift, good = true
const wrong = said => { good = false; res.notes.push(said); console.error('  ' + said) }

function run (...args) {
  const r = spawnSync(fleet, args, { encoding: 'utf8', stdio: ['ignore', 'pipe', 'inherit'], maxBuffer: 1 << 26 })
  if (r.status !== 0) throw new Error(`fleet ${args[0]} ended with ${r.status ?? r.signal}: ${r.stdout}`)
  return r.stdout
}
// Commands and answers as lines of JSON, one at a time.
function talk (args, name) {
  const child = spawn(fleet, args, { stdio: ['pipe', 'pipe', 'inherit'] })
  const waiting = [], lines = readline.createInterface({ input: child.stdout })
  lines.on('line', line => { const w = waiting.shift(); if (w) w.resolve(line) })
  child.on('exit', code => { for (const w of waiting.splice(0)) w.reject(new Error(`${name} exited with ${code}`)) })
  running.add(child); child.on('exit', () => running.delete(child))
  const line = () => new Promise((resolve, reject) => waiting.push({ resolve, reject }))
  return { child, line, say: text => child.stdin.write(text + '\n'), end: () => new Promise(resolve => { if (child.exitCode !== null) return resolve(); child.once('exit', resolve); child.stdin.end() }) }
}
// The same methods as the harness's own device().
function device (name, n) {
  const cfg = { name, book: book(name), url: `http://127.0.0.1:${proxy.port}`, day: path.join(data, 'day', `dev-${pad(n)}.ndjson`), machines: path.join(work, 'seed.json'), shift_ms: shift }
  const t = talk(['device', JSON.stringify(cfg)], name)
  return {
    pid: t.child.pid,
    async call (cmd, arg) {
      const answer = t.line(); t.say(JSON.stringify({ cmd, ...(arg && { arg }) }))
      const r = JSON.parse(await answer); if (r.error) throw new Error(`${name}: ${r.error}`)
      if (r.put_off) wrong(`${name} was told to wait ${r.put_off} times in ${cmd}`)
      return r
    },
    stop: () => t.end()
  }
}
const make = n => device(`dev-${pad(n)}`, n)
async function start () {
  server = talk(['serve', work, '--shift-ms', String(shift)], 'server')
  const address = await server.line()
  port = +address.split(':').pop()
  proxy = await h.startProxy(port)
}
async function stop () { await proxy.stop(); await server.end() }
// The clocks show the workload's day: before it, and after it.
function clocks (ms) { shift = ms - Date.now(); if (server) server.say(String(shift)) }
const phase = o => h.phase({ server: () => server.child.pid, proxy, devices: D, make, timeout: 1800e3, ...o })

// What the office looks at: the day sheet as JSON with a device's token, and as a page with a session.
async function sheet () {
  const office = () => { const d = device('office', 0); return { ...d, call: cmd => cmd === 'sheet' ? d.call('get', '/v1/day-sheet') : d.call(cmd) } }
  res.phases.day_sheet = await phase({ name: 'day sheet as JSON (3 times)', devices: [0, 1, 2], make: office, cmd: 'sheet' })
  const at = `http://127.0.0.1:${port}`
  const first = await fetch(`${at}/office/first`, { method: 'POST', redirect: 'manual', headers: { 'content-type': 'application/x-www-form-urlencoded', 'sec-fetch-site': 'same-origin' }, body: new URLSearchParams({ code: seeded.office_code, passphrase: 'four plain words do', again: 'four plain words do' }) })
  const cookie = (first.headers.get('set-cookie') || '').split(';')[0]
  if (!cookie) return res.notes.push(`no session for the office's page: ${first.status}`)
  const times = []; let bytes
  for (let n = 0; n < 5; n++) {
    const t = h.now(), r = await fetch(`${at}/office`, { headers: { cookie } }), text = await r.text()
    times.push(h.now() - t); bytes = text.length
    if (r.status !== 200) return res.notes.push(`the office's page answered ${r.status}`)
  }
  res.day_sheet_page = { ms_median: +h.median(times).toFixed(1), ms: times.map(t => +t.toFixed(1)), bytes }
}

;(async () => {
  fs.rmSync(work, { recursive: true, force: true }); fs.mkdirSync(work, { recursive: true })
  let t = h.now()
  run('seed', data, work)
  res.seed_s = +((h.now() - t) / 1000).toFixed(1)
  seeded = JSON.parse(fs.readFileSync(path.join(work, 'seed.json')))
  const morning = seeded.founding + seeded.history, whole = morning + seeded.day
  clocks(seeded.morning_ms)
  await start()
  const counted = want => async d => { const { count } = await d.call('count'); if (count !== want) wrong(`${count} records on a device, not ${want}`) }
  res.disk_server_morning = size(path.join(work, 'shop/shop.db'))
  res.phases.bootstrap = await phase({ name: 'first fill of one device', devices: [0], cmd: 'fill', after: counted(morning) })
  res.disk_device_morning = size(book('dev-00'))
  for (const n of D.slice(1)) run('clone', '0', String(n), work)
  res.phases.idle_morning = await phase({ name: 'idle (morning, 3 devices)', devices: [1, 2, 3], cmd: 'idle' })
  res.phases.append = await phase({ name: 'append (offline)', cmd: 'append' })
  clocks(seeded.evening_ms)
  res.phases.upload = await phase({ name: 'upload', cmd: 'upload', conc })
  res.phases.catchup = await phase({ name: 'catch-up', cmd: 'catchup', conc, after: counted(whole) })
  // What came last while all went at once is fetched here, so that idle is idle.
  if (conc > 1) res.phases.level = await phase({ name: 'what came meanwhile', cmd: 'catchup' })
  res.phases.idle = await phase({ name: 'idle (3 devices)', devices: [0, 1, 2], cmd: 'idle' })
  await sheet()
  await stop(); await start()
  res.phases.idle_cold_server = await phase({ name: 'idle, server just restarted', devices: [0], cmd: 'idle' })
  await stop(); server = null
  res.disk_server_end = size(path.join(work, 'shop/shop.db')); res.disk_device_end = size(book('dev-01'))
  res.sizes = JSON.parse(run('sizes', work))
  res.verify = {}
  for (const file of [path.join(work, 'shop/shop.db'), book('dev-01')]) {
    const said = JSON.parse(spawnSync(fleet, ['verify', file], { encoding: 'utf8' }).stdout || '{"faults":["it cannot be read"]}')
    res.verify[path.basename(file)] = said
    if (said.faults.length) wrong(`${file}: ${said.faults.length} faults, the first: ${said.faults[0]}`)
  }
  res.ok = good
  fs.writeFileSync(out, JSON.stringify(res, null, 1)); console.error('  ok=' + good)
  process.exit(good ? 0 : 1)
})().catch(e => { console.error(e); res.ok = false; res.notes.push(String(e && e.stack || e)); fs.writeFileSync(out, JSON.stringify(res, null, 1)); process.exit(1) })
