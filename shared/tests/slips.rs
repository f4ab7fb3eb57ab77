//! Slips of number in sentences: "1 visits". Included by the tests of whatever shows sentences: pages, terminal, papers.

#![allow(dead_code, reason = "each test that includes it takes what it needs")]

/// Words that end in s and go with one thing: verbs and the like, and the s of a unit.
const ALSO_OF_ONE: [&str; 22] = [
    "as", "closes", "does", "goes", "has", "is", "its", "keeps", "leaves", "lets", "looks", "measures", "ms", "needs", "opens", "reads",
    "s", "says", "stands", "this", "waits", "was",
];

/// Every "1" that stands beside a word of several: none, where the sentences are right. A word of one beside another number is not looked for.
pub(crate) fn slips(text: &str) -> Vec<String> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let of_several = |word: &str| {
        let word = word.trim_end_matches(|c: char| !c.is_alphanumeric());
        let is_word = word.len() > 1 && word.chars().all(|c| c.is_ascii_lowercase());
        is_word && word.ends_with('s') && !word.ends_with("ss") && !ALSO_OF_ONE.contains(&word)
    };
    let pair = |pair: &[&str]| match pair {
        [one, word] => (one.trim_start_matches(['(', '“', '"']) == "1" && of_several(word)).then(|| format!("{one} {word}")),
        _ => None,
    };
    words.windows(2).filter_map(pair).collect()
}

/// Text of a page: what stands between its tags.
pub(crate) fn text_of(html: &str) -> String {
    html.split('<').map(|piece| piece.split_once('>').map_or(piece, |(_, text)| text)).collect::<Vec<_>>().join(" \n")
}

#[test]
fn a_slip_is_found_and_nothing_else() {
    assert_eq!(slips("1 visits with an hour reading. (1 pairs)"), ["1 visits", "(1 pairs)"]);
    let fine =
        "1 visit, 11 visits, cylinder 1 intake, 2026-06-01 08:00, 1 is left, valve 1 stands, 1I found, 1 s apart, 1 Readings, 1.1 hours";
    assert_eq!(slips(fine), Vec::<String>::new());
    // Numbers and words in cells of their own are no sentence; a table's heading is large.
    assert_eq!(slips(&text_of("<td>1</td><th>Visits</th><b>1</b> visits")), ["1 visits"]);
}
