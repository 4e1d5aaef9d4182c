"""A page of the toolkit with a heading and nothing else, to be taken off what a view costs."""

import streamlit as st

st.title("Empty")
