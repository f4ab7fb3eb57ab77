//! The materials, for `--help`.

/// The names that are known, and how another is stated.
pub(super) const HELP: &str = "\
Materials:
  steel-1020, steel-1040, steel-4140, steel-4340, stainless-304, gray-iron,
  ductile-iron-60-40-18, ductile-iron-80-55-06, aluminium-356, die-cast-360,
  die-cast-380, die-cast-a380, die-cast-383, die-cast-384; or a coefficient in
  1e-6 per K with its source, as in \"21.5: data sheet, page 2\"";

#[cfg(test)]
mod tests {
    use super::HELP;
    use shared::thermal::Material;

    #[test]
    fn help_lists_every_name_once() {
        for (name, _) in Material::NAMED {
            assert_eq!(HELP.split([' ', ',', ';', '\n']).filter(|word| *word == name).count(), 1, "{name}");
        }
    }
}
