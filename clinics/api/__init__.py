"""The organisation over HTTP: sign-in, chain, clinics, people, hours and the diary."""
