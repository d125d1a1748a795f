"""Changes planted into packages as text, and what a comparison must say of each."""
