"""Names of places on the body: standard terms, their synonyms, and what a name that is not known may have meant.

Sources, by their short names in the table:

- "TA": Terminologia Anatomica, 2nd ed. (FIPAT 2019); its single terms are in the public domain. Latin from memory, the
  regions held against a published list of the regiones corporis.
- "de Leva": P. de Leva, Adjustments to Zatsiorsky-Seluyanov's segment inertia parameters, J. Biomech. 29 (1996) 1223,
  whose landmarks are those of the usual anthropometry; read in a public transcript of its list.
- "survey": the landmark table of a survey of body measures, J. Anthropology 2016, 1760313.
- "face": soft-tissue points of the face, from the landmark tables of PMC4836697, PMC8192579 and PMC2666135.
- "trade": plain English for what these lists have no surface point for: `common practice, no source`.

ISO 7250-1 and ISO 8559-1 use such names too (acromion, cervicale, stylion, tragion, vertex: from memory); the standards
themselves were not at hand, so no definition is taken from them.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

SIDES = ("left", "right")


@dataclass(frozen=True)
class Term:
    """One accepted name (without its side), whether there is one on each side, its synonyms and where they are from."""

    name: str
    is_paired: bool
    others: tuple[str, ...]
    source: str
    meaning: str = ""


def _points(*rows: tuple[str, bool, str, str, str]) -> tuple[Term, ...]:
    return tuple(Term(n, p, tuple(w.strip() for w in o.split(",") if w.strip()), s, m) for n, p, o, s, m in rows)


POINTS = _points(
    ("crown", False, "vertex, top of head, top of the head", "survey", "highest point of the head"),
    ("brow", False, "glabella, eyebrow", "face", "most forward point between the brows"),
    ("nose root", False, "nasion, sellion, bridge of nose", "face", "deepest point between brow and nose"),
    ("nose tip", False, "pronasale, apex nasi, tip of nose, tip of the nose", "face", "foremost point of it"),
    ("nose base", False, "subnasale", "face", "where nose and upper lip meet"),
    ("mouth", False, "stomion, lips", "face", "middle of the line between the lips"),
    ("chin", False, "pogonion, mental protuberance", "face", "foremost point of the chin"),
    ("chin base", False, "gnathion, menton", "face", "lowest point of the chin"),
    ("ear point", True, "tragion, tragus", "survey", "notch above the small flap of the ear"),
    ("jaw angle", True, "gonion", "face", "angle of the lower jaw"),
    ("eye inner corner", True, "endocanthion", "face", "inner corner of the eye"),
    ("eye outer corner", True, "exocanthion, ectocanthion", "face", "outer corner of the eye"),
    ("mouth corner", True, "cheilion", "face", "corner of the mouth"),
    ("back of head", False, "opisthocranion", "face", "point of the head farthest back"),
    ("nape", False, "cervicale, c7, vertebra prominens", "de Leva", "tip of the spine of the 7th neck vertebra"),
    ("throat pit", False, "suprasternale, suprasternal notch, jugular notch, incisura jugularis", "de Leva",
     "lowest point of the notch between the collar bones"),
    ("sternum", False, "mesosternale, breastbone", "trade", "middle of the breastbone"),
    ("breastbone end", False, "xiphion, xiphisternale", "de Leva", "lower end of the breastbone"),
    ("nipple", True, "thelion, papilla mammaria", "TA", "middle of the nipple"),
    ("navel", False, "omphalion, umbilicus, belly button", "de Leva", "middle of the navel"),
    ("pubis", False, "symphysion, symphysis, pubic symphysis", "survey", "upper edge of the pubic bone"),
    ("hip point", True, "iliospinale, asis, iliac spine, anterior superior iliac spine", "de Leva",
     "front spine of the hip bone"),
    ("sacrum", False, "os sacrum", "TA", "middle of the bone between the buttocks"),
    ("shoulder blade", True, "scapula", "TA", "point of the shoulder blade farthest back"),
    ("buttock", True, "natis", "TA", "point of the buttock farthest back"),
    ("hip crest", True, "iliocristale", "survey", "highest outer point of the hip bone"),
    ("hip side", True, "trochanterion, trochanter, greater trochanter", "survey", "outermost point of the thigh bone"),
    ("acromion", True, "acromiale, shoulder tip", "survey", "outer edge of the shoulder blade's summit"),
    ("shoulder point", True, "deltoid point, deltoideus", "trade", "outermost point of the deltoid muscle"),
    ("elbow", True, "olecranon, elbow point", "TA", "point of the bent elbow"),
    ("elbow side", True, "radiale, lateral epicondyle", "de Leva", "outer point of the elbow"),
    ("wrist", True, "stylion, mid wrist, wrist back, carpale", "de Leva", "wrist, at the level of the stylion"),
    ("knuckle", True, "metacarpale iii, metacarpale, middle knuckle", "de Leva", "knuckle of the middle finger"),
    ("thumb tip", True, "dactylion i, pollex tip", "de Leva", "end of the thumb"),
    ("index fingertip", True, "dactylion ii, index tip, forefinger tip", "de Leva", "end of the index finger"),
    ("middle fingertip", True, "dactylion, dactylion iii, fingertip, fingertips, middle finger tip", "de Leva",
     "end of the middle finger"),
    ("ring fingertip", True, "dactylion iv, ring finger tip", "de Leva", "end of the ring finger"),
    ("little fingertip", True, "dactylion v, little finger tip", "de Leva", "end of the little finger"),
    ("knee cap", True, "patella, kneecap, mid patella, knee", "TA", "middle of the knee cap"),
    ("knee side", True, "tibiale laterale, tibiale", "survey", "upper edge of the shin bone"),
    ("outer ankle", True, "lateral malleolus, malleolus lateralis, sphyrion fibulare", "de Leva",
     "outer ankle bone"),
    ("inner ankle", True, "medial malleolus, malleolus medialis, sphyrion, malleolare internum", "de Leva",
     "inner ankle bone"),
    ("heel", True, "pternion, calcaneus, calx", "de Leva", "point of the heel farthest back"),
    ("toe tip", True, "acropodion, tip of toe, longest toe", "de Leva", "end of the longest toe"),
)  # fmt: skip

PATCHES = _points(
    ("head", False, "caput", "TA", ""),
    ("crown", False, "vertex, regio parietalis, parietal region", "TA", ""),
    ("forehead", False, "frons, regio frontalis, frontal region", "TA", ""),
    ("face", False, "facies, regiones faciales", "TA", ""),
    ("eye", True, "oculus, regio orbitalis, orbital region", "TA", ""),
    ("nose", False, "nasus, regio nasalis, nasal region", "TA", ""),
    ("mouth", False, "os oris, regio oralis, oral region, lips", "TA", ""),
    ("chin", False, "mentum, regio mentalis, mental region", "TA", ""),
    ("cheek", True, "bucca, regio buccalis, buccal region", "TA", ""),
    ("jaw", False, "mandible, mandibula", "TA", ""),
    ("ear", True, "auris, auricula, regio auricularis", "TA", ""),
    ("ear", False, "ears", "TA", ""),
    ("back of head", False, "occiput, regio occipitalis, occipital region", "TA", ""),
    ("neck", False, "collum, cervix, regio cervicalis", "TA", ""),
    ("trunk", False, "truncus, torso", "TA", ""),
    ("chest", False, "pectus, thorax, regio pectoralis", "TA", ""),
    ("breast", True, "mamma, regio mammaria", "TA", ""),
    ("abdomen", False, "venter, belly", "TA", ""),
    ("pelvis", False, "regio pubica, hips", "TA", ""),
    ("groin", True, "inguen, regio inguinalis", "TA", ""),
    ("upper back", False, "dorsum, regio scapularis, regio interscapularis", "TA", ""),
    ("lower back", False, "lumbus, regio lumbalis, loins", "TA", ""),
    ("buttocks", False, "nates, clunes, regio glutealis", "TA", ""),
    ("shoulder", True, "omos, regio deltoidea", "TA", ""),
    ("armpit", True, "axilla, regio axillaris", "TA", ""),
    ("upper arm", True, "brachium, regio brachialis, arm", "TA", ""),
    ("elbow", True, "cubitus, regio cubitalis", "TA", ""),
    ("forearm", True, "antebrachium, regio antebrachii", "TA", ""),
    ("wrist", True, "carpus, regio carpalis", "TA", ""),
    ("hand", True, "manus", "TA", ""),
    ("palm", True, "palma, palma manus, regio palmaris", "TA", ""),
    ("back of hand", True, "dorsum manus, regio dorsalis manus", "TA", ""),
    ("fingers", True, "digiti manus", "TA", ""),
    ("thumb", True, "pollex", "TA", ""),
    ("thigh", True, "femur, regio femoris", "TA", ""),
    ("knee", True, "genu, regio genus, patellar region", "TA", ""),
    ("shin", True, "crus, leg, lower leg, regio cruris", "TA", ""),
    ("calf", True, "sura, regio suralis", "TA", ""),
    ("ankle", True, "tarsus, regio talocruralis", "TA", ""),
    ("foot", True, "pes", "TA", ""),
    ("heel", True, "calx, regio calcanea", "TA", ""),
    ("sole", True, "planta, planta pedis, regio plantaris pedis", "TA", ""),
    ("back of foot", True, "dorsum pedis, regio dorsalis pedis, instep", "TA", ""),
    ("toes", True, "digiti pedis", "TA", ""),
)  # fmt: skip

_SIDE_WORDS = {"left": "left", "l": "left", "sinister": "left", "sinistra": "left", "sinistrum": "left",
               "right": "right", "r": "right", "dexter": "right", "dextra": "right", "dextrum": "right"}  # fmt: skip
NEAR = 3  # names that are offered for one that is not known
ALIKE, SPREAD = 0.6, 0.3  # similarity (difflib) from which a name is offered, and at most so much below the best


def find_standard(name: str) -> str | None:
    """The accepted name, with its side, of any way to write it; None for a name that is in neither table.

    Case, underscores and hyphens do not matter; the side may stand before or behind. A point goes before a patch.
    """
    side, word = _part_side(name)
    return next((found for found in _standard(word, side)), None)


def resolve(name: str, known: Iterable[str]) -> str | None:
    """The one of ``known`` that ``name`` means: the same word, or else another word for the same place; else None."""
    known = list(known)
    if name in known:
        return name
    plain = " ".join(_words(name))
    same = [each for each in known if " ".join(_words(each)) == plain]
    if not same:
        wanted = _all_standard(name)
        same = [each for each in known if wanted & _all_standard(each)]
    return same[0] if len(same) == 1 else None


def suggest_places(name: str, known: Iterable[str]) -> str:
    """Remedy for a place that the body lacks: the nearest known names, by letters, those of synonyms among them."""
    known = sorted(set(known))
    if not known:
        return "the body has none; name them in a places file"
    wanted = {" ".join(_words(name)), *_all_standard(name)}
    score = {each: max(difflib.SequenceMatcher(None, a, b).ratio() for a in wanted for b in _spellings(each))
             for each in known}  # fmt: skip
    side, _ = _part_side(name)
    least = max(ALIKE, max(score.values()) - SPREAD)
    near = sorted((each for each in known if score[each] >= least),
                  key=lambda each: (_part_side(each)[0] != side, -score[each]))[:NEAR]  # fmt: skip
    if near:
        return "the nearest known are " + ", ".join(f"'{each}'" for each in near)
    return "known here: " + ", ".join(known)


def spell_unknown(names: Iterable[str]) -> str:
    """One sentence on the ``names`` that no table has, or ""; they are used all the same."""
    odd = [f"'{name}'" for name in names if find_standard(name) is None]
    if not odd:
        return ""
    is_are = "is no standard anatomical name" if len(odd) == 1 else "are no standard anatomical names"
    return f"{', '.join(odd)} {is_are}; used as written."


def list_standard(terms: tuple[Term, ...]) -> list[str]:
    """All accepted names of a table, with sides."""
    return [name for term in terms for name in ([f"{s} {term.name}" for s in SIDES] if term.is_paired else [term.name])]


def _words(name: str) -> list[str]:
    return re.sub(r"[\s_\-.()]+", " ", name.casefold()).split()


def _part_side(name: str) -> tuple[str, str]:
    """("left", "knee cap") of "knee cap, left"; "" where no side is said."""
    words = _words(name.replace(",", " "))
    for at in (0, -1):
        if len(words) > 1 and words[at] in _SIDE_WORDS:
            side = _SIDE_WORDS[words[at]]
            rest = words[1:] if at == 0 else words[:-1]
            return side, " ".join(rest)
    return "", " ".join(words)


@cache
def _lookup() -> dict[tuple[str, bool], tuple[str, ...]]:
    """(word, is paired) to the accepted names that it stands for."""
    table: dict[tuple[str, bool], tuple[str, ...]] = {}
    for term in (*POINTS, *PATCHES):
        for word in (term.name, *term.others):
            key = (" ".join(_words(word)), term.is_paired)
            if term.name not in table.get(key, ()):
                table[key] = (*table.get(key, ()), term.name)
    return table


def _standard(word: str, side: str) -> list[str]:
    names = _lookup().get((word, bool(side)), ())
    return [f"{side} {name}" if side else name for name in names]


def _all_standard(name: str) -> set[str]:
    side, word = _part_side(name)
    return set(_standard(word, side))


def _spellings(name: str) -> set[str]:
    """A name, its accepted forms and their synonyms, each with its side."""
    side, _ = _part_side(name)
    found = {" ".join(_words(name))}
    for standard in _all_standard(name):
        _, word = _part_side(standard)
        for term in (*POINTS, *PATCHES):
            if term.name == word and term.is_paired == bool(side):
                found |= {f"{side} {other}".strip() for other in (term.name, *term.others)}
    return found
