"""Photo honesty: is this photo what it is taken for?"""

from wearvision_api.honesty.backfill import remember_all
from wearvision_api.honesty.check import Suspicion, forget, look, remember, see

__all__ = ["Suspicion", "forget", "look", "remember", "remember_all", "see"]
