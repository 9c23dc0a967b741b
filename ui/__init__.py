"""The page: a Streamlit app over the package's public names. `app.py` is its router."""
