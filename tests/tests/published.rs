//! Every published value against ours, and that none is without its source.

use std::collections::BTreeSet;

use fixtures::published::{Basis, folder, read_all, table};

/// What the project has promised to check against the outside.
const PROMISED: [&str; 17] = [
    "inch",
    "iso-261-threads",
    "asme-b1.1-threads",
    "adjuster-geometry",
    "jcgm-106",
    "iso-14253-1",
    "slider-crank",
    "callister-b6",
    "nadca-a-3-2",
    "scipy-theilslopes",
    "theil-interval",
    "measurement-systems-study",
    "rfc-8032",
    "rfc-9052",
    "rfc-8949",
    "rfc-8037",
    "rfc-9562",
];

#[test]
fn every_published_value_is_ours_too() {
    let all = read_all(&folder()).unwrap();
    let names: BTreeSet<&str> = all.iter().map(|(name, _)| name.as_str()).collect();
    for promised in PROMISED {
        assert!(names.contains(promised), "{promised} is promised and not there");
    }
    assert!(all.iter().any(|(_, p)| p.basis == Basis::CommonPractice), "common practice appears as such");
    let rows = table(&all);
    let differing: Vec<String> = rows
        .iter()
        .filter(|row| !row.agrees)
        .map(|row| format!("{} {}: {} by the source, {} by us", row.file, row.id, row.expected, row.computed))
        .collect();
    assert_eq!(differing, Vec::<String>::new());
    assert!(rows.len() > 300, "{} values", rows.len());
}

#[test]
fn a_value_without_a_source_is_none() {
    let folder = tempfile::tempdir().unwrap();
    let write = |text: &str| std::fs::write(folder.path().join("x.json"), text).unwrap();
    let check = r#""checks":[{"id":"a","what":"b","call":"length_tenth_um","given":{"text":"1mm"},"expected":10000}]"#;
    write(&format!(r#"{{"source":"S","edition":"1","clause":"2","basis":"read",{check}}}"#));
    let good = read_all(folder.path()).unwrap();
    assert!(table(&good)[0].agrees);
    for missing in ["source", "edition", "clause"] {
        let text = format!(r#"{{"source":"S","edition":"1","clause":"2","basis":"read",{check}}}"#);
        let key = format!(r#""{missing}":""#);
        let at = text.find(&key).unwrap() + key.len();
        let mut emptied = text.clone();
        emptied.replace_range(at..=at, "");
        write(&emptied);
        assert!(read_all(folder.path()).unwrap_err().to_string().contains("is no value"), "{missing}");
    }
    write(&format!(r#"{{"edition":"1","clause":"2","basis":"read",{check}}}"#));
    assert!(read_all(folder.path()).is_err());
    write(
        r#"{"source":"S","edition":"1","clause":"2","basis":"read","checks":[{"id":"a","what":"b","call":"length_tenth_um","given":{"text":"1mm"},"expected":10001}]}"#,
    );
    assert!(!table(&read_all(folder.path()).unwrap())[0].agrees, "a wrong value is seen");
}
