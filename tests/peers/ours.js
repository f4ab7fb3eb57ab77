// Our engine as a peer of the harness: real processes, real HTTP, through the same proxy and with the same accounts.
//   node ours.js PEERS_FOLDER DATA WORK OUT      FLEET: the fleet program (default: target/release/fleet beside tests/)
'use strict'
const fs = require('fs'), path = require('path'), { spawn, spawnSync } = require('child_process'), readline = require('readline')
const fleet = process.env.FLEET || path.join(__dirname, '../../target/release/fleet')
const pad = n => String(n).padStart(2, '0'), size = file => fs.statSync(file).size
const running = new Set()
process.on('exit', () => { for (const child of running) child.kill('SIGKILL') })

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

// A shop in the morning of the workload's day, served, and its devices. `wrong` hears what must not be.
class Shop {
  constructor (peers, data, work, wrong) {
    Object.assign(this, { data, work, wrong, h: require(path.join(peers, 'lib/harness')) })
    fs.rmSync(work, { recursive: true, force: true }); fs.mkdirSync(work, { recursive: true })
    const t = this.h.now()
    run('seed', data, work)
    this.seed_s = +((this.h.now() - t) / 1000).toFixed(1)
    this.seeded = JSON.parse(fs.readFileSync(path.join(work, 'seed.json')))
    this.clocks(this.seeded.morning_ms)
  }

  get file () { return path.join(this.work, 'shop/shop.db') }
  book (name) { return path.join(this.work, 'devices', `${name}.db`) }
  // The same methods as the harness's own device().
  device (name, n) {
    const cfg = { name, book: this.book(name), url: `http://127.0.0.1:${this.proxy.port}`, day: path.join(this.data, 'day', `dev-${pad(n)}.ndjson`), machines: path.join(this.work, 'seed.json'), shift_ms: this.shift }
    const t = talk(['device', JSON.stringify(cfg)], name)
    return {
      pid: t.child.pid,
      call: async (cmd, arg) => {
        const answer = t.line(); t.say(JSON.stringify({ cmd, ...(arg && { arg }) }))
        const r = JSON.parse(await answer); if (r.error) throw new Error(`${name}: ${r.error}`)
        if (r.put_off) this.wrong(`${name} was told to wait ${r.put_off} times in ${cmd}`)
        return r
      },
      stop: () => t.end()
    }
  }

  async start () {
    this.server = talk(['serve', this.work, '--shift-ms', String(this.shift)], 'server')
    const address = await this.server.line()
    this.port = +address.split(':').pop()
    this.proxy = await this.h.startProxy(this.port)
  }

  async stop () { await this.proxy.stop(); await this.server.end(); this.server = null }
  // The clocks show the workload's day: before it, and after it.
  clocks (ms) { this.shift = ms - Date.now(); if (this.server) this.server.say(String(this.shift)) }
  phase (o) { return this.h.phase({ server: () => this.server.child.pid, proxy: this.proxy, make: n => this.device(`dev-${pad(n)}`, n), timeout: 1800e3, ...o }) }
  counted (want) { return async d => { const { count } = await d.call('count'); if (count !== want) this.wrong(`${count} records on a device, not ${want}`) } }

  // Devices that begin with a copy of device 0's filled book. A crew's devices have disks of their own: these copies must not be
  // written out while the shop waits for the one disk here.
  clone (devices) {
    for (const n of devices) run('clone', '0', String(n), this.work)
    spawnSync('sync')
  }

  // What the office looks at: the day sheet as JSON with a device's token, and as a page with a session.
  sheetJson (times) {
    const make = () => { const d = this.device('office', 0); return { ...d, call: cmd => cmd === 'sheet' ? d.call('get', '/v1/day-sheet') : d.call(cmd) } }
    return this.phase({ name: `day sheet as JSON (${times} times)`, devices: [...Array(times).keys()], make, cmd: 'sheet' })
  }

  async sheetPage (count) {
    const at = `http://127.0.0.1:${this.port}`
    const first = await fetch(`${at}/office/first`, { method: 'POST', redirect: 'manual', headers: { 'content-type': 'application/x-www-form-urlencoded', 'sec-fetch-site': 'same-origin' }, body: new URLSearchParams({ code: this.seeded.office_code, passphrase: 'four plain words do', again: 'four plain words do' }) })
    const cookie = (first.headers.get('set-cookie') || '').split(';')[0]
    if (!cookie) throw new Error(`no session for the office's page: ${first.status}`)
    const times = []; let bytes
    for (let n = 0; n < count; n++) {
      const t = this.h.now(), r = await fetch(`${at}/office`, { headers: { cookie } }), text = await r.text()
      times.push(this.h.now() - t); bytes = text.length
      if (r.status !== 200) throw new Error(`the office's page answered ${r.status}`)
    }
    return { ms_median: +this.h.median(times).toFixed(1), ms: times.map(t => +t.toFixed(1)), bytes }
  }
}

async function main (peers, data, work, out) {
  const conc = +(process.env.CONC || 1)
  const meta = JSON.parse(fs.readFileSync(path.join(data, 'meta.json'))), D = [...Array(meta.D).keys()]
  const res = { peer: 'tappetbook', conc, versions: { node: process.version }, F: meta.F, H: meta.H, D: meta.D, touched: meta.touchedMachines, phases: {}, notes: [] }
  let good = true
  const wrong = said => { good = false; res.notes.push(said); console.error('  ' + said) }
  const write = () => { res.ok = good; fs.writeFileSync(out, JSON.stringify(res, null, 1)) }
  try {
    const shop = new Shop(peers, data, work, wrong), { seeded } = shop
    const morning = seeded.founding + seeded.history, whole = morning + seeded.day
    const phase = o => shop.phase({ devices: D, ...o })
    res.seed_s = shop.seed_s
    await shop.start()
    res.disk_server_morning = size(shop.file)
    res.phases.bootstrap = await phase({ name: 'first fill of one device', devices: [0], cmd: 'fill', after: shop.counted(morning) })
    res.disk_device_morning = size(shop.book('dev-00'))
    shop.clone(D.slice(1))
    res.phases.idle_morning = await phase({ name: 'idle (morning, 3 devices)', devices: [1, 2, 3], cmd: 'idle' })
    res.phases.append = await phase({ name: 'append (offline)', cmd: 'append' })
    shop.clocks(seeded.evening_ms)
    res.phases.upload = await phase({ name: 'upload', cmd: 'upload', conc })
    res.phases.catchup = await phase({ name: 'catch-up', cmd: 'catchup', conc, after: shop.counted(whole) })
    // What came last while all went at once is fetched here, so that idle is idle.
    if (conc > 1) res.phases.level = await phase({ name: 'what came meanwhile', cmd: 'catchup' })
    res.phases.idle = await phase({ name: 'idle (3 devices)', devices: [0, 1, 2], cmd: 'idle' })
    res.phases.day_sheet = await shop.sheetJson(3)
    try { res.day_sheet_page = await shop.sheetPage(5) } catch (e) { res.notes.push(e.message) }
    await shop.stop(); await shop.start()
    res.phases.idle_cold_server = await phase({ name: 'idle, server just restarted', devices: [0], cmd: 'idle' })
    await shop.stop()
    res.disk_server_end = size(shop.file); res.disk_device_end = size(shop.book('dev-01'))
    res.sizes = JSON.parse(run('sizes', work))
    res.verify = {}
    for (const file of [shop.file, shop.book('dev-01')]) {
      const said = JSON.parse(spawnSync(fleet, ['verify', file], { encoding: 'utf8' }).stdout || '{"faults":["it cannot be read"]}')
      res.verify[path.basename(file)] = said
      if (said.faults.length) wrong(`${file}: ${said.faults.length} faults, the first: ${said.faults[0]}`)
    }
  } catch (e) { console.error(e); wrong(String(e && e.stack || e)) }
  write(); console.error('  ok=' + good)
  process.exit(good ? 0 : 1)
}

module.exports = { Shop }
if (require.main === module) main(...process.argv.slice(2).map(p => path.resolve(p)))
