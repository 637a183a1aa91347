"""Which language is asked for, and its catalogue: shipped, or in a folder of the user's."""

from __future__ import annotations

import gettext
import struct
from collections.abc import Mapping
from pathlib import Path

DOMAIN = "benchodds"
VARIABLE = "BENCHODDS_LANGUAGE"
USUAL = ("LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")
"""Where else a language may be named, the first that is set; as in gettext."""
KIND = "languages"


def wanted(environ: Mapping[str, str]) -> list[str]:
    """Languages that would be better than English, the best first, such as ['de_AT', 'de']."""
    said = next((environ[v] for v in (VARIABLE, *USUAL) if environ.get(v)), "")
    out: list[str] = []
    for name in said.split(":"):
        locale = name.partition(".")[0].partition("@")[0]
        language = locale.partition("_")[0]
        if language in ("", "C", "POSIX", "en"):
            break
        out += [locale, language]
    return list(dict.fromkeys(out))


def catalogue(names: list[str]) -> tuple[gettext.NullTranslations, Path] | None:
    """The catalogue of the first language that has one, and its folder; None when none has.

    A catalogue that cannot be read is passed over: English is always there.
    """
    if not names:
        return None
    from benchodds.keep.files import PACKAGE, own_places  # slow, and English needs none of it

    for folder in (*own_places(KIND), PACKAGE / KIND):
        try:
            return gettext.translation(DOMAIN, str(folder), names), folder
        except (OSError, ValueError, struct.error):  # not there, or damaged
            continue
    return None
