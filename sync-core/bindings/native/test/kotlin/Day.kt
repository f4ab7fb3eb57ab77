// The generated Kotlin on a Java machine: a book in memory, what it says and refuses, and a reading of nothing.
package tappetbook.day

import tappetbook.kit.*

fun refused(code: String, step: () -> Unit) {
    try {
        step()
    } catch (e: TappetException.NotDone) {
        check(e.code == code) { "${e.code} and not $code: ${e.sentence}" }
        check(e.sentence.endsWith(".")) { e.sentence }
        return
    }
    error("not refused: $code")
}

class Told : Watcher {
    var times = 0
    override fun moved(moved: Moved) {
        times += 1
    }
}

fun main() {
    check(deference().contains("manual"))
    TappetKit.inMemory().use { kit ->
        val status = kit.status()
        check(!status.enrolled && status.person == null && status.waiting == 0uL)
        kit.watch(Told())
        check(kit.contested() == "[]")
        refused("not-enrolled") { kit.round() }
        refused("given-unreadable") { kit.machine("no id") }
        check(status.keys == KeysAtRest.CLEAR)
        refused("given-unreadable") { TappetKit.openWithKey("book.db", ByteArray(31)) }
        refused("log-in-first".takeIf { status.enrolled } ?: "not-enrolled") { kit.exchangeCall(false) }
        val call = kit.enrolCall("4K7QM-2ZT9A", "a Kotlin test")
        check(call.method == "POST" && call.path == "/v1/enrol" && String(call.body).contains("4K7QM-2ZT9A"))
        val problem = """{"type":"about:blank","title":"no","status":403,"code":"code-invalid","detail":"The code is unknown."}"""
        refused("code-invalid") { kit.enrolled(403u, problem.toByteArray(), "http://127.0.0.1:1") }
        kit.setUnit(LengthUnit.MM)
        check(kit.readLength("0.05").tenthUm == 500L) { kit.readLength("0.05") }
        kit.setUnit(LengthUnit.THOU)
        check(kit.readLength("5") == LengthRead(1270L, null) && kit.showLength(1270) == "5 thou") { kit.showLength(1270) }
        check(kit.readLength(".005").inches == "Read as inches: 0.005 in., 5 thou.") { kit.readLength(".005") }
        val leaves = kit.setLeaves("2-4")
        check(leaves.own && leaves.leavesTenthUm == listOf(508L, 762L, 1016L)) { leaves }
        kit.remember("screen", "{\"at\":\"Q-1\"}")
        check(kit.remembered("screen") == "{\"at\":\"Q-1\"}" && kit.remembered("none") == null)
    }
    println("Kotlin: compiled, and run on Java ${System.getProperty("java.version")}")
}
