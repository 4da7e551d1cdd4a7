"""Seeds as the benches take them."""


def seed_range(text: str) -> list[int]:
    """One seed or a range: "10-12" gives 10, 11, 12."""
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))
