"""The pages of the app: each asks `flow`, calls, and shows; the only place that knows Streamlit."""
