import { mount } from 'svelte';
import '../../ui/tokens.css';
import Page from './Page.svelte';

const target = document.getElementById('page');
if (target !== null) mount(Page, { target });
