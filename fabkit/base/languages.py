"""Words for layers, tables and faces in other languages than English, as exports write them.

Who works in German has a file 'Kupfer oben' and a heading 'Menge'. The words are
the trade's common usage in German, French, Spanish, Italian, Portuguese, Dutch, Polish, Russian,
Chinese and Japanese, from memory.
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

_HEADINGS: Final = {
    "designator": "bezeichner bauteil bauteilname kennung referenz referenzen repere reperes"
    " designateur referencia referencias designador riferimento riferimenti designatore referentie"
    " referenties aanduiding oznaczenie oznaczenia desygnator обозначение"
    " позиционноеобозначение поз 位号 标号 元件编号 部品記号 リファレンス 参照番号",
    "name": "bezeichnung nombre nome naam nazwa наименование 名称 部品名",
    "value": "wert valeur valor valore waarde wartosc номинал значение 值 参数 规格 値 定数",
    "description": "beschreibung kommentar descripcion commentaire comentario descricao descrizione"
    " commento omschrijving opis komentarz описание комментарий 描述 说明 備考 説明 コメント",
    "footprint": "bauform gehause gehaeuse empreinte boitier huella encapsulado impronta "
    " contenitore behuizing obudowa корпус посадочноеместо 封装 パッケージ フットプリント",
    "quantity": "menge anzahl stuckzahl stueckzahl quantite cantidad quantita quantidade qtd aantal"
    " hoeveelheid ilosc количество колво 数量 個数 用量",
    "partnumber": "teilenummer artikelnummer bestellnummer herstellernummer herstellerteilenummer"
    " referencefabricant numerodepieza numerodeparte codicearticolo codiceproduttore artikelnr"
    " numerczesci артикул 料号 型号 品番 型番",
    "manufacturer": "hersteller fabricant fabricante produttore costruttore fabrikant producent"
    " производитель изготовитель 制造商 厂商 厂家 メーカー",
    "rotation": "drehung drehwinkel winkel rotacion rotazione rotacao angulo angolo rotatie hoek"
    " obrot kat вращение поворот угол уголповорота 旋转 旋转角度 角度 回転 回転角度",
    "side": "seite lage ebene face couche cote lado capa camada cara lato faccia strato zijde laag"
    " kant strona warstwa сторона слой 层 层面 板面 面 実装面 レイヤ レイヤー",
    "fitted": "bestuckt bestueckt monte montado montato gemonteerd zamontowany установлен",
    "dnp": "nichtbestuckt nichtbestueckt nonmonte nomontar nomontado nonmontato nietplaatsen"
    " nieplacowac неустанавливать 不贴 不装 未実装",
}
"""Headings of tables, without accents and blanks."""
_POSITION: Final = (
    "mitte mittelpunkt koordinate koordinaten coordonnee coordenada coordinata coordinaat centro"
    " centrum posizione posicion posicao positie pozycja srodek wspolrzedna координата центр"
    " позиция 坐标 中心 中心坐标 座標 位置"
)
_LISTS: Final = {
    "parts": "stuckliste stueckliste bauteilliste nomenclature listademateriales listamateriales"
    " distintabase elencocomponenti listademateriais stuklijst zestawienie спецификация"
    " переченьэлементов 物料清单 元件清单 部品表 部品リスト",
    "placement": "bestuckungsliste bestueckungsliste bestuckungsdaten bestueckungsdaten"
    " bestuckungskoordinaten coordonnees coordenadas coordinate wspolrzedne координаты 坐标"
    " 坐标文件 贴片坐标 座標 実装座標",
}
"""What tables are called, without accents and blanks."""

_ENGLISH: Final = {word: english for english, said in _LATIN.items() for word in said.split()}
LATIN_WORDS: Final = _ENGLISH.keys()
"""Words of other languages, without accents."""

_SAID: Final = {word: english for english, said in _OTHER_SCRIPTS.items() for word in said.split()}
# The longest first: what is not plated holds the word for plated.
_FOREIGN: Final = re.compile(
    "|".join(sorted(map(re.escape, _SAID), key=len, reverse=True)), re.IGNORECASE
)

_HEADING: Final = {word: english for english, said in _HEADINGS.items() for word in said.split()}
_PLACES: Final = frozenset(_POSITION.split())
_LIST: Final = {word: english for english, said in _LISTS.items() for word in said.split()}


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


def letters_of(text: str) -> str:
    """Leave its letters and digits alone, small and without accents, in any script.

    >>> letters_of("Współrzędna-X"), letters_of("Поз. обозначение")
    ('wspolrzednax', 'позобозначение')
    """
    plain = "".join(c for c in unicodedata.normalize("NFKD", text) if not _is_accent(c))
    return re.sub(r"[\W_]", "", unicodedata.normalize("NFC", plain.lower()).replace("ł", "l"))


def _is_accent(sign: str) -> bool:
    # Marks of other scripts make another letter of the one they stand on.
    return "\u0300" <= sign <= "\u036f"


def heading_in_english(letters: str) -> str:
    """Give the English heading for the :func:`letters_of` one in another language, or itself.

    >>> heading_in_english("menge"), heading_in_english("xkoordinate"), heading_in_english("qty")
    ('quantity', 'positionx', 'qty')
    """
    for axis, place in ((letters[:1], letters[1:]), (letters[-1:], letters[:-1])):
        if axis in ("x", "y") and place in _PLACES:
            return f"position{axis}"
    return _HEADING.get(letters, letters)


def list_in_english(name: str) -> str:
    """Give what a table is called in English, where its name is a word of another language.

    >>> list_in_english("Stückliste rev 2")
    'parts'
    """
    words = re.findall(r"[^\W\d_]+", name)
    named = (letters_of(word) for word in (*words, "".join(words)))
    return next((_LIST[word] for word in named if word in _LIST), "")
