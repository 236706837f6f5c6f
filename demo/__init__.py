"""An invented evening of practice that plays by itself."""
