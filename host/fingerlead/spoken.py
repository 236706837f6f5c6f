"""Short plain words that are read out and typed, in place of digits.

Our own choice of 256 words of two syllables or so, none longer than nine letters; any two differ in at least two
letters, so that one slip of the keyboard makes no other word. A byte is a word.
"""

_LIST = """
acorn anchor apple apron arrow autumn badger balcony bamboo banana barley barrel basket beaver beetle bench berry
bicycle birch biscuit blanket bonfire bottle bramble bread bridge bronze brush bucket buffalo butter button cabbage
cabin cactus camel canary candle canoe caravan carpet carrot castle cedar cellar cherry chimney cinema circus clover
cobweb coffee comet compass copper coral cotton cousin cradle crayon cricket crocus crystal curtain cushion daisy dawn
desert diamond dinner dolphin donkey dragon dune eagle elbow elephant engine evening falcon farmer feather festival
flamingo flannel flute forest fossil fountain frost funnel garden garlic gazelle ginger giraffe glacier glove goblet
gondola goose granite gravel guitar hammer hammock harbour harvest hazel hedge helmet heron holiday honey hornet
iceberg igloo insect island ivory jacket jigsaw jungle kangaroo kettle kitchen kite koala ladder lagoon lantern
laundry lemon leopard lettuce library lilac lizard lobster locket magnet mango maple marble market meadow melon
midnight mirror mosaic museum mushroom mustard napkin necklace needle nutmeg oasis ocean octopus olive onion orange
orchard otter oven oyster paddle palace panda paper peacock pebble pelican pencil pepper piano picnic pigeon pillow
pirate planet pony poppy potato pumpkin puppet puzzle quarry quilt rabbit radish rainbow raven ribbon river robin
sailor salmon sandal saucer scarf school scooter shadow shovel silver skeleton sparrow spider spoon squirrel stable
statue storm sugar summer sunset swan teapot temple thimble thistle thunder tiger timber toast tomato tortoise tower
tractor train trumpet tulip turnip turtle umbrella valley vanilla velvet village vinegar violet volcano waggon walnut
walrus whale wheel whisker window winter wombat yacht zebra zipper
"""
WORDS = tuple(_LIST.split())
_NUMBERS = {word: number for number, word in enumerate(WORDS)}


class SpokenError(ValueError):
    """Words that are none of the list; `str()` is one sentence."""


def to_words(data: bytes) -> tuple[str, ...]:
    """A word for each byte."""
    return tuple(WORDS[byte] for byte in data)


def from_words(text: str, count: int) -> bytes:
    """The bytes that `count` words stand for, however they are set apart and written; raises SpokenError."""
    words = "".join(letter if letter.isalpha() else " " for letter in text.casefold()).split()
    if len(words) != count:
        raise SpokenError(
            f"expected {count} words; got {len(words)}. Write them all, in the order in which they are read out"
        )
    strange = next((word for word in words if word not in _NUMBERS), None)
    if strange is not None:
        raise SpokenError(f"expected words of the list; {strange[:20]!r} is none. Have it read out again")
    return bytes(_NUMBERS[word] for word in words)
