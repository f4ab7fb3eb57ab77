//! What a part is made of, as people type it: a name, or a coefficient with its source.

use shared::warmth::Material;

use crate::given;

/// The names that are known.
const NAMED: [(&str, Material); 14] = [
    ("steel-1020", Material::Steel1020),
    ("steel-1040", Material::Steel1040),
    ("steel-4140", Material::Steel4140),
    ("steel-4340", Material::Steel4340),
    ("stainless-304", Material::Stainless304),
    ("gray-iron", Material::GrayIron),
    ("ductile-iron-60-40-18", Material::DuctileIron604018),
    ("ductile-iron-80-55-06", Material::DuctileIron805506),
    ("aluminium-356", Material::Aluminium356),
    ("die-cast-360", Material::DieCast360),
    ("die-cast-380", Material::DieCast380),
    ("die-cast-a380", Material::DieCastA380),
    ("die-cast-383", Material::DieCast383),
    ("die-cast-384", Material::DieCast384),
];

/// For `--help`.
pub(super) const HELP: &str = "\
Materials:
  steel-1020, steel-1040, steel-4140, steel-4340, stainless-304, gray-iron,
  ductile-iron-60-40-18, ductile-iron-80-55-06, aluminium-356, die-cast-360,
  die-cast-380, die-cast-a380, die-cast-383, die-cast-384; or a coefficient in
  1e-6 per K with its source, as in \"21.5: data sheet, page 2\"";

/// Reads a name, whatever its hyphens, or `21.5: where it was read`. A coefficient without a source is for the
/// arithmetic to refuse.
pub(super) fn material(text: &str) -> Result<Material, String> {
    let plain = |text: &str| text.trim().to_lowercase().replace(['-', ' '], "");
    if let Some((_, material)) = NAMED.iter().find(|(name, _)| plain(name) == plain(text)) {
        return Ok(material.clone());
    }
    let (coefficient, source) = text.split_once(':').unwrap_or((text, ""));
    match given::thousandths(coefficient) {
        Some(thousandths) if thousandths % 10 == 0 => {
            Ok(Material::Stated { hundredths: thousandths / 10, source: source.trim().to_owned() })
        }
        _ => Err(format!(
            "\"{text}\" is no material: --help lists the names; else write a coefficient with its source, as in \"21.5: data sheet, page 2\""
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_stated_coefficients() {
        assert_eq!(material("Die cast A380"), Ok(Material::DieCastA380));
        assert_eq!(material("steel1020"), Ok(Material::Steel1020));
        let stated = |hundredths, source: &str| Ok(Material::Stated { hundredths, source: source.into() });
        assert_eq!(material("21.5: sheet 2"), stated(2150, "sheet 2"));
        assert_eq!(material("21,55"), stated(2155, ""));
        for bad in ["", "wood", "21.555: sheet", "-3: sheet", ": sheet"] {
            assert!(material(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn help_lists_every_name_once() {
        for (name, _) in NAMED {
            assert_eq!(HELP.split([' ', ',', ';', '\n']).filter(|word| *word == name).count(), 1, "{name}");
        }
    }
}
