"""Words for layers in other languages than English, as exports name their files.

Who works in German has a file 'Kupfer oben'. The words are the trade's common usage in German,
French, Spanish, Italian, Portuguese, Dutch, Polish, Russian, Chinese and Japanese, from memory.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Final

_LATIN: Final = {
    "copper": "kupfer kupferlage cuivre cobre rame koper miedz",
    "mask": "lotstopp loetstopp lotstoppmaske loetstoppmaske lotstopplack loetstopplack stopplack"
    " lotmaske loetmaske vernis masque mascara maschera soldeermasker maska",
    "paste": "lotpaste loetpaste pasta soldeerpasta",
    "legend": "bestuckungsdruck bestueckungsdruck positionsdruck servicedruck beschriftung"
    " serigraphie serigrafia zeefdruk opisowa",
    "outline": "umriss kontur aussenkontur contorno borde bordo omtrek obrys",
    "rout": "frasung fraesung frasen fraesen fraisage fresado fresatura",
    "drill": "bohrung bohrungen bohrdaten bohren bohrer percage percages taladro taladros"
    " perforaciones foratura fori furos furacao boorgaten wiercenia",
    "drawing": "bohrplan bestuckungsplan bestueckungsplan zeichnung dessin dibujo disegno",
    "plated": "metallisiert durchkontaktiert metallise metallises metalizado metalizados"
    " metallizzato metallizzati",
    "inner": "innenlage interne interna interno interior innen",
    "layer": "lage couche capa strato camada",
    "board": "platine platinen leiterplatte leiterplatten",
    "top": "oben oberseite vorderseite dessus haut arriba superior superiore sopra boven voorkant",
    "bottom": "unten unterseite ruckseite rueckseite dessous bas abajo inferior inferiore sotto"
    " onder achterkant",
    "componentside": "bauteilseite bestuckungsseite bestueckungsseite",
    "solderside": "lotseite loetseite",
    "non": "nicht no",
}
_OTHER_SCRIPTS: Final = {
    "copper": "медь медный проводники 铜层 铜 线路 銅箔 パターン",
    "mask": "маска паяльная 阻焊 防焊 レジスト",
    "paste": "паста трафарет 锡膏 焊膏 钢网 助焊 メタルマスク",
    "silk": "шелкография маркировка 丝印 字符 シルク",
    "outline": "контур 外形 边框 板框 轮廓",
    "drill": "сверловка сверление отверстия 钻孔 ドリル 穴",
    "plated": "金属化 メッキ",
    "nonplated": "неметаллизированные 非金属化 无铜孔 ノンメッキ",
    "inner": "внутренний 内层 内層",
    "top": "верх верхний верхняя 顶层 顶面 顶部 正面 表面",
    "bottom": "низ нижний нижняя 底层 底面 底部 反面 背面 裏面",
    "componentside": "部品面",
    "solderside": "半田面 はんだ面",
}

_ENGLISH: Final = {word: english for english, said in _LATIN.items() for word in said.split()}
LATIN_WORDS: Final = _ENGLISH.keys()
"""Words of other languages, without accents."""

_SAID: Final = {word: english for english, said in _OTHER_SCRIPTS.items() for word in said.split()}
# The longest first: what is not plated holds the word for plated.
_FOREIGN: Final = re.compile(
    "|".join(sorted(map(re.escape, _SAID), key=len, reverse=True)), re.IGNORECASE
)


def in_english(word: str) -> str:
    """Give the English word of the trade for one without accents, or the word itself.

    >>> in_english("kupfer"), in_english("widget")
    ('copper', 'widget')
    """
    return _ENGLISH.get(word, word)


@lru_cache(maxsize=4096)
def without_accents(text: str) -> str:
    """Leave accents out, and give words of other scripts in English.

    >>> without_accents("Lötstopp"), without_accents("顶层阻焊")
    ('Lotstopp', ' top  mask ')
    """
    if text.isascii():
        return text
    # Composed first: in other scripts a mark makes another letter of the word.
    text = unicodedata.normalize("NFC", text)
    text = _FOREIGN.sub(lambda m: f" {_SAID[m[0].lower()]} ", text)
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
